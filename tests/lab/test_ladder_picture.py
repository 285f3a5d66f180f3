from tuninglib.analysis.injector import ladder_of, outlook
from tuninglib.lab.kit import LadderPicture


def test_the_picture_follows_and_its_words_too(results):
    ladder = ladder_of(results)
    picture = LadderPicture(results, ladder)
    shown = []
    for flow in (ladder.flow_m3_s[20], ladder.flow_m3_s[40], ladder.flow_m3_s[20]):
        band = {"lowest": 0.83, "highest": 0.9, "flow_m3_s": flow}
        one = outlook(results, ladder, ethanol=0.05, tolerance=0.06, **band)
        image = picture.render(one, **band)
        assert f"{one.lambda_.value:.3f}" in image.alt
        shown.append(image.png)
    assert shown[0] != shown[1]
    assert shown[0] == shown[2], "the picture remembers where the slider was"
