"""Before you buy: what other bikes say, what is named and what is never shown."""

import json
import re
import shutil
import tempfile
import zipfile
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.conftest import ROOT
from tuninglib.__main__ import main
from tuninglib.analysis.analyse import analyse
from tuninglib.analysis.club import before_buying, bike_record
from tuninglib.interval import Interval
from tuninglib.physics.fuels import Octane
from tuninglib.report import club, page_parts
from tuninglib.rounding import listing
from tuninglib.session.load import MANIFEST, load_session, pack_session, unpack_session
from tuninglib.text_files import SessionError

DEMO = ROOT / "demo_data" / "a_club"
TRUTH = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
LIAR = "DEMO, INVENTED: After the rebuild"


@pytest.fixture(scope="module")
def newcomer():
    return club.newcomer_of(DEMO / "newcomer")


@pytest.fixture(scope="module")
def records():
    return club.others_below(DEMO / "club")[0]


@pytest.fixture(scope="module")
def told(newcomer, records):
    return before_buying(newcomer, records)


@pytest.fixture
def place(tmp_path):
    """A copy of the club and its newcomer."""
    return shutil.copytree(DEMO, tmp_path / "a_club")


@pytest.fixture(scope="module")
def both(newcomer, records):
    """Two fuels may be in the tank; on one of them the others knocked."""
    use = replace(newcomer.use, fuels=("e5", "e10"))
    return before_buying(SimpleNamespace(**{**vars(newcomer), "use": use}), records)


def said(told, left_out=()):
    parts = club.verdict(told), club.points(told), club.remarks(told, left_out)
    return "\n".join(part.plain() for part in parts)


def test_the_invented_truth_is_held(told):
    for one in told.offers:
        lambda_ = one.fuels[0].lambda_
        assert lambda_.low < TRUTH["lambda"][one.injector] < lambda_.high
    assert told.stock.low < TRUTH["stock_lambda"] < told.stock.high
    assert told.gain.low < TRUTH["gain"] < told.gain.high


def test_the_first_is_a_trial_under_the_gauge_and_no_bolder_than_the_first_guess(told):
    first = told.first
    assert first.fuels[0].odds.leaner <= 0.30
    assert first.flow_m3_s >= told.guess_m3_s.low
    assert "Buy first: injector i171 (171 cc/min) for 34 EUR" in said(told)
    assert "trial under the gauge: stop beyond 13.2 on this gauge (lambda 0.90)" in said(told)
    assert "2 of 2 bikes with this cylinder ran inside the band" in said(told)


def test_nothing_smaller_than_the_first_guess_is_named(newcomer, records):
    """Though bikes whose kit breathes a fifth less would run it inside the band."""
    lean = [
        replace(one, readings=tuple(
            replace(cell, log_mean=cell.log_mean - 0.2 * (cell.engine == "big"))
            for cell in one.readings
        ))
        for one in records
    ]  # fmt: skip
    found = before_buying(newcomer, lean)
    assert [one.injector for one in found.offers if one.small] == ["i150"]
    assert found.first is None or found.first.flow_m3_s >= found.guess_m3_s.low
    small = replace(found.offers[0], small=False)
    assert small.worst > max(one.worst for one in found.offers[1:])


@pytest.mark.parametrize(("lambda_", "way"), [(0.95, "larger"), (0.78, "smaller")])
def test_where_none_fits_the_way_to_others_is_said(told, lambda_, way):
    off = Interval(lambda_, lambda_ - 0.02, lambda_ + 0.02)
    offers = [
        replace(one, fuels=tuple(replace(own, lambda_=off) for own in one.fuels))
        for one in told.offers
    ]
    words = said(replace(told, first=None, offers=offers))
    assert f"list {way} ones under [injectors], or read your bike as it is first." in words


def test_one_at_hand_is_fitted_and_not_bought(newcomer, records):
    injectors = {**newcomer.injectors, "i171": replace(newcomer.injectors["i171"], owned="yes")}
    own = SimpleNamespace(**{**vars(newcomer), "injectors": injectors})
    words = said(before_buying(own, records))
    assert "Fit first: injector i171 (171 cc/min), which you have" in words
    assert "It is a trial under the gauge: stop beyond 13.2" in words


# What else the page says; no number of these is known but by the program.
SAYS = """
One reading more: read the bike as it is now, before you change it: the best of these then has
| in the band on e5 | on average, on e5; after the first reading of i171, the best of these has
| First guess: by displacement, with lambda | as delivered, as these bikes have it: |
over the engine ‘stock’, from 5 bikes. | At your marker that is | more, if your gearing is like
| the parts cost the others 175 to 235 EUR (5 outings). | Injectors on your engine |
| Of your engine, before anything is read: in brackets the 95 % interval. Others inside: bikes with
| as read on their own fuels. | Read with this cylinder [cc/min] | Held by the others
"""


def test_what_else_is_known_is_said(told):
    page = said(told) + club.table(told).plain() + club.outings(told).plain()
    for words in " ".join(SAYS.split()).split("|"):
        assert words.strip() in page
    least = f"{told.guess_m3_s.low * 60e6:.0f} cc/min"
    assert f"Nothing below {least} is named here." in page
    odds = [f"{100 * chance:.0f} %" for chance in (told.after_stock, told.after_first)]
    assert f"then has a chance of {odds[0]}, on average" in page
    assert f"the best of these has {odds[1]}." in page
    small = [replace(told.offers[0], small=True, fuels=told.first.fuels), *told.offers[1:]]
    assert club.table(replace(told, offers=small)).rows[0][-1].endswith("than the first guess")


def text(interval) -> str:
    """To hundredths, as no gauge tells more."""
    return f"{interval.value:.2f} ({interval.low:.2f} to {interval.high:.2f})"


def chance(share) -> str:
    least = "under 1 %" if share < 0.01 else "over 99 %"
    return f"{100 * share:.0f} %" if 0.01 <= share <= 0.99 else least


def test_the_tables_hold_what_is_known_of_each_injector_and_each_outing(both, told):
    (own,) = told.offers[0].fuels
    narrow = replace(own, lambda_=Interval(0.8712, 0.8701, 0.8723))
    offers = [replace(told.offers[0], fuels=(narrow,)), *told.offers[1:]]
    for given, fuels in (replace(told, offers=offers), False), (both, True):
        assert [row[:-1] for row in club.table(given).rows] == [
            (one.injector + f", {own.fuel}" * fuels, f"{60e6 * one.flow_m3_s:.0f}",
             text(own.lambda_), chance(own.odds.inside), chance(own.odds.leaner),
             f"{one.inside} of {one.read}" if one.read else "–")
            for one in given.offers
            for own in one.fuels
        ]  # fmt: skip
    minds = [row[-1] for row in club.table(told).rows]
    assert minds == [*["do not ride: may run lean"] * 3, "try first", "–"]
    rows = [
        (f"“{one.record.title}”", listing(f"{60e6 * flow:.0f}" for flow in one.injectors),
         f"{sum(one.others.held)} of {len(one.others.held)}")
        for one in told.beside
    ]  # fmt: skip
    assert list(club.outings(told).rows) == rows
    assert list(club.outings(replace(told, bikes=2)).rows) == rows
    assert {row[-1] for row in club.outings(replace(told, bikes=1)).rows} == {"–"}
    strange = [replace(told.beside[0], others=None, injectors=())]
    assert club.outings(replace(told, beside=strange)).rows[0][1:] == ("–", "–")
    said = f"Bikes differ by about {100 * told.bike_sd:.1f} % (standard deviation), as far as"
    assert said in club.method(told).plain()


def test_one_reading_more_is_only_named_where_it_tells_more(told, both):
    now = told.first.fuels[0].odds.inside
    for more, named in ((0.009, False), (0.011, True)):
        words = said(replace(told, after_stock=now + more, after_first=None))
        assert ("read the bike as it is now" in words) == named
        words = said(replace(told, after_stock=None, after_first=now + more))
        assert ("One reading more: after the first reading of i171" in words) == named
        # Of two fuels the worse one counts.
        worse = min(own.odds.inside for own in both.first.fuels)
        quiet = replace(both, heard=(), after_first=None, after_stock=worse + more)
        assert ("One reading more" in said(quiet)) == named


def test_whose_numbers_they_are_stands_above_and_below(told):
    session = SimpleNamespace(**vars(told.session))
    session.about = replace(session.about, title="Mine", invented="no")
    own = [replace(one, record=replace(one.record, title="Theirs")) for one in told.beside]
    for given, above, below in (
        (told, "Before you buy", "DEMO, INVENTED: the bike, the hill and every number are made"),
        (replace(told, session=session), "DEMO, INVENTED: Before you buy", "every number are made"),
        (replace(told, session=session, beside=own), "Before you buy",
         "from 5 outings of other bikes. All readings come from their riders. Read the"),
    ):  # fmt: skip
        page = club._page(given, ())
        assert f"<h1>{above}</h1>" in page
        assert below in page
    assert "Mine, 20 June 2026: what 5 other bikes say." in page
    # How it was worked out may be shut; nothing else is, the cautions least of all.
    folded = re.findall(r'<details class="section"><summary><h2 id="([^"]+)"', page)
    assert folded == ["how-it-was-worked-out"]
    assert re.findall(r'<h2 id="([^"]+)"', page) == [
        "which-injector-first", "every-injector", "the-outings", *folded, "cautions",
    ]  # fmt: skip


def test_thick_is_the_one_to_try_first_and_broken_what_is_not_to_be_tried(told, both, monkeypatch):
    drawn = []
    monkeypatch.setattr(page_parts, "_svg", lambda draw, width_in: drawn.append(draw(width_in)))
    assert club.figure(told).caption == "i171 is the one to try first."
    none = club.figure(replace(told, first=None, offers=told.offers[:1]))
    assert none.caption == "No injector listed is likely enough to be inside the band."
    club.figure(both)
    for given, figure, fuels in (told, drawn[0], []), (both, drawn[-1], ["e10", "e5"]):
        assert [one.get_text() for legend in figure.legends for one in legend.texts] == fuels
        (ax,) = figure.axes
        # Room for names and marks.
        assert 0.25 < ax.get_position().height * figure.get_figheight() / 5 < 1
        drawn_of = iter(zip(ax.lines[::2], ax.lines[1::2], strict=True))
        for number in range(len(fuels) or 1):
            for place, one in enumerate(given.offers):
                (line, mark), own = next(drawn_of), one.fuels[number]
                # Of two fuels one is above the other.
                at = pytest.approx(place + (0.2 * number - 0.1 if fuels else 0))
                assert line.get_xydata().tolist() == [[own.lambda_.low, at], [own.lambda_.high, at]]
                assert mark.get_xydata().tolist() == [[own.lambda_.value, at]]
                shut = own.fuel == "e10" or one.injector in ("i150", "i157", "i164")
                assert (line.get_linestyle() == "-") != shut
                assert (mark.get_markerfacecolor() == "white") == shut
                thick = one.injector == "i171" and not shut
                assert line.get_linewidth() == (4 if thick else 2)


def test_one_odd_bike_is_named_and_does_not_turn_the_answer(newcomer, records, told):
    assert [one.record.title for one in told.beside if one.odd] == [LIAR]
    assert f"Stands apart: “{LIAR}” reads 11 % leaner than the others" in said(told)
    without = before_buying(newcomer, [one for one in records if one.title != LIAR])
    for one, other in zip(told.offers, without.offers, strict=True):
        both, there = one.fuels[0].lambda_, other.fuels[0].lambda_
        # One that no honest bike read rests on how lambda follows flow, of which one bike can say
        # more.
        most = 0.015 if one.read else 0.04
        assert abs(both.value - there.value) < most
    assert without.first.injector == told.first.injector


def test_a_gauge_that_is_off_is_found_by_its_idle(newcomer, records, told):
    (off,) = (one for one in records if one.gauge_off is not None)
    assert off.title.endswith(TRUTH["gauge"])
    assert off.gauge_off == pytest.approx(0.055, abs=0.01)
    assert off.gauge_sd > 0.05
    assert "its gauge read 6 % lean" in said(told)
    other = [replace(one, gauge_off=-0.055) if one is off else one for one in records]
    assert "its gauge read 6 % rich" in said(before_buying(newcomer, other))
    assert f"“{off.title}”: at idle or cruise, where its ECU (engine control unit)" in said(told)


def test_each_left_out_in_turn_is_printed(told):
    assert "the 95 % intervals of the others held 15 of 17 readings" in said(told)


def test_knock_on_a_third_of_the_bikes_buys_nothing(newcomer, records):
    def loud(record, level):
        return replace(record, fuels=tuple(replace(f, knock=level) for f in record.fuels))

    def heard(count, level="light"):
        return [loud(one, level) if at < count else one for at, one in enumerate(records)]

    # Inside the band, on a fuel that resists knock no more than the newcomer's.
    one, two = (before_buying(newcomer, heard(count, "heavy")) for count in (1, 2))
    assert one.first is not None
    assert "on e5: heard on 1 of 5 bikes. Stop at the first rattle." in said(one)
    assert two.first is None
    assert "Buy nothing yet: bikes with this cylinder knocked on your fuels" in said(two)


def test_knock_on_a_weaker_fuel_or_a_lean_mixture_is_told_apart(newcomer, records):
    e10 = next(one for one in records for fuel in one.fuels if fuel.knock)
    (loud,) = (fuel for fuel in e10.fuels if fuel.knock)
    assert loud.octane.value < 98
    lean = replace(e10, fuels=tuple(
        replace(fuel, knock="light" if fuel.injector == "i150" else "") for fuel in e10.fuels
    ))  # fmt: skip
    found = before_buying(newcomer, [*records[2:], lean])
    heard = found.heard[0]
    assert (heard.fuel, heard.knocked, heard.lean, heard.listened) == ("e5", 0, 1, 4)
    assert "1 other knocked lightly, only where leaner than the band" in said(found)


def test_a_fuel_that_knocked_is_tried_nowhere(both, told):
    assert "Not on e10: other bikes knocked on it." in said(both)
    nothing = said(replace(both, first=None))
    assert "none of the injectors listed is likely enough" in nothing, "on e5 there may be others"
    minds = {row[0]: row[-1] for row in club.table(both).rows}
    assert minds["i171, e5"].startswith("try first")
    assert {mind for name, mind in minds.items() if name.endswith("e10")} == {
        "do not ride: knock on other bikes"
    }
    assert club.figure(both).alt.count("not to be tried") == 5 + 3
    # As if that fuel were not there.
    assert both.guess_m3_s.value == pytest.approx(told.guess_m3_s.value)


@pytest.mark.parametrize(
    ("octane", "words"),
    [
        (None, "Octane: whether e5 has enough for this engine is not known"),
        (Octane(91.0, "RON"), "Buy nothing yet: your fuels are beyond what its maker allows"),
    ],
)
def test_the_kit_needs_its_octane_though_no_setup_has_it_yet(newcomer, records, octane, words):
    fuels = {**newcomer.fuels, "e5": replace(newcomer.fuels["e5"], octane=octane)}
    quiet = [replace(one, fuels=()) for one in records]
    told = before_buying(SimpleNamespace(**{**vars(newcomer), "fuels": fuels}), quiet)
    assert words in said(told)
    assert "Running in: no full throttle before the new cylinder is run in" in said(told)


def test_the_gain_is_that_of_the_outings_own_report():
    session = load_session(ROOT / "demo_data" / "one_summer" / "2_june")
    own = bike_record(session).engines["big"]
    (pull,) = (one for one in analyse(session).pulls if one.gain)
    assert own.log_gain == pytest.approx(np.log1p(pull.gain.ratio.value), abs=1e-3)
    high = np.log1p(pull.gain.ratio.high)
    assert own.log_gain + 1.96 * own.gain_sd == pytest.approx(high, rel=0.01)


def test_heads_above_the_limit_are_said(newcomer, records, told):
    assert "the hottest head was 205 °C, in 5 outings that measured it." in said(told)
    hot = [
        replace(one, engines={n: replace(e, hottest_k=510.0) for n, e in one.engines.items()})
        for one in records
    ]
    found = said(before_buying(newcomer, hot))
    assert (
        "237 °C, in 5 outings that measured it; 5 above about 230 °C at the spark plug, where a"
        in found
    )


def test_a_title_is_no_page(newcomer, records):
    long = [replace(one, title="x" * 5000, gauge_off=0.05) for one in records]
    assert "x" * 81 not in said(before_buying(newcomer, [*long, long[0]]))


def test_an_ecu_that_corrects_is_named(newcomer, records):
    one = replace(records[0], readings=(), corrects=True)
    words = said(before_buying(newcomer, [one, *records[1:]]))
    assert "If yours does the same, another injector does not move the mixture" in words


def test_same_runs_count_once_and_one_bike_is_one(newcomer, records):
    twice = before_buying(newcomer, [*records, replace(records[0], title="Sent again")])
    assert twice.bikes == 5
    assert f"“{records[0].title}” and “Sent again” have the same runs." in said(twice)
    named = [replace(one, bike="the blue one") for one in records[:2]]
    one_bike = before_buying(newcomer, [*named, *records[2:]])
    assert one_bike.bikes == 4
    assert "name the same bike, and count as one" in said(one_bike)


def test_another_kind_of_bike_makes_it_wider(newcomer, records, told):
    bigger = [
        replace(one, engines={
            name: replace(own, displacement_m3=own.displacement_m3 * 1.2)
            for name, own in one.engines.items()
        })
        for one in records
    ]  # fmt: skip
    other = before_buying(newcomer, bigger)
    wide, narrow = (one.offers[2].fuels[0].lambda_.half_width for one in (other, told))
    assert wide > 1.2 * narrow
    assert "no outing has readings with just this cylinder" in said(other)
    assert "5 outings of a bike that left the factory with another" in said(other)
    assert other.gain is None


def test_that_nobody_says_whether_the_ecu_corrects_for_air_is_said(newcomer, records):
    bike = replace(newcomer.bike, density_compensation="unknown")
    club = [replace(one, air_kg_m3=1.0, corrects_air="unknown") for one in records]
    told = before_buying(SimpleNamespace(**{**vars(newcomer), "bike": bike}), club)
    assert "whether the ECU corrects for it is not stated" in said(told)


def test_one_reading_more_is_worth_something(told):
    # The first one's own reading tells more of it than the bike as it was delivered does.
    assert told.first.worst + 0.1 < told.after_stock < told.after_first - 0.05 < 0.95


def test_a_newcomer_that_has_run_asks_his_own_report(place):
    unpack_session(place / "club" / "bike_1.outing.zip", place / "ridden")
    with pytest.raises(SessionError, match="has runs already: tuninglib report goes by them"):
        club.newcomer_of(place / "ridden")


def test_what_the_answer_does_not_need_may_be_empty(place):
    path = place / "newcomer" / "session.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r"\[hill\][^\[]*", "", text), encoding="utf-8")
    assert club.newcomer_of(path.parent).hill is None
    for name, wrong in (
        ("session", "the table [session] is missing"), ("bike", "the table [bike] is missing"),
        ("engines", "at least one is needed"), ("injectors", "at least one is needed"),
        ("fuels", "at least one is needed"), ("setups", "at least one is needed"),
    ):  # fmt: skip
        path.write_text(re.sub(rf"(?m)^\[{name}[].](.*\n)(?:(?!\[).*\n)*", "", text), "utf-8")
        with pytest.raises(SessionError, match=re.escape(wrong)):
            club.newcomer_of(path.parent)
    path.write_text(text.replace('flow = "157 cc/min"', 'flow = "157"'), encoding="utf-8")
    with pytest.raises(SessionError, match="has no unit"):
        club.newcomer_of(path.parent)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A club with a stranger's tags, what no outing may hold, and what is broken; its page."""
    place = shutil.copytree(DEMO, tmp_path_factory.mktemp("hostile") / "a_club")
    here = place / "club"
    stranger = unpack_session(here / "bike_1.outing.zip", place / "stranger")
    text = (stranger / "session.toml").read_text(encoding="utf-8")
    text = text.replace("Kit on the blue one", "<img src=x onerror=alert(1)>")
    text = text.replace("[riders.me]", '[riders."mrs_secret"]')
    text = text.replace("[setups.stock]\n", '[setups.stock]\nnote = "private words"\n')
    (stranger / "session.toml").write_text(text, encoding="utf-8")
    (here / "bike_1.outing.zip").unlink()
    pack_session(stranger, here / "bike_1.outing.zip")
    shutil.move(stranger, here / "stranger_as_folder")
    (here / "torn.outing.zip").write_bytes((here / "bike_2.outing.zip").read_bytes()[:400])
    with zipfile.ZipFile(here / "climbs_out.outing.zip", "w") as packed:
        packed.writestr("../outside.toml", "x")
        packed.writestr(MANIFEST, "")
    (here / "empty").mkdir()
    (here / "empty" / "session.toml").write_text("", encoding="utf-8")
    page, left_out = club.make_before(place / "newcomer", here)
    return place, page.read_text(encoding="utf-8"), dict(left_out)


def test_what_is_broken_is_named_in_a_sentence_and_left_out(hostile):
    place, page, left_out = hostile
    names = ("torn.outing.zip", "climbs_out.outing.zip", "empty")
    assert set(left_out) == {f"club/{name}" for name in names}
    assert "is no part of an outing" in left_out["club/climbs_out.outing.zip"]
    assert left_out["club/torn.outing.zip"].startswith("is not a packed outing, or is damaged")
    assert all(name in page for name in left_out)
    assert not list(place.rglob("outside.toml"))


def test_a_strangers_outing_shows_its_title_and_nothing_else(hostile):
    place, page, _ = hostile
    assert "&lt;img src=x onerror=alert(1)&gt;" in page
    assert "<img src=x" not in page
    for secret in ("mrs_secret", "mrs secret", "private words", str(place), tempfile.gettempdir()):
        assert secret not in page
    # The same outing as a folder and as one file counts once.
    assert "have the same runs" in page


def test_the_page_is_whole_and_offline(hostile):
    _, page, _ = hostile
    assert page.lower().startswith("<!doctype html>")
    assert not re.search(r'(src|href)="(?!data:|#)', page)
    assert "default-src 'none'" in page
    assert "Lambda of each injector with its 95 % interval, and the band from 0.83 to 0.90" in page


def test_the_command_makes_the_page_without_those_that_are_named(place, capsys):
    # By the name of its file, and by its title.
    names = ["--without", "bike_5", "--without", "DEMO, INVENTED: Borrowed gauge"]
    assert main(["before", str(place / "newcomer"), str(place / "club"), *names]) == 0
    out, err = capsys.readouterr()
    assert out.strip() == str(place / "newcomer.report" / "before.html")
    assert "club/bike_5.outing.zip is left out: as you asked" in err
    page = (place / "newcomer.report" / "before.html").read_text(encoding="utf-8")
    assert "Kit on the blue one" in page
    assert "After the rebuild" not in page
    assert (
        main(["before", str(place / "newcomer"), str(place / "club"), "--without", "nobody"]) == 2
    )
    assert "has no outing named 'nobody'" in capsys.readouterr().err


def test_numbers_that_lead_nowhere_are_said_to(place, monkeypatch):
    about = SimpleNamespace(title="any")
    monkeypatch.setattr(club, "load_session", lambda _: SimpleNamespace(about=about))
    monkeypatch.setattr(club, "bike_record", lambda *_: 1 / 0)
    with pytest.raises(SessionError, match=r"bike_1\.outing\.zip: its numbers lead to no answer"):
        club.others_below(place / "club")


def test_no_outing_and_no_reading_are_refused(place, newcomer, records):
    (place / "none").mkdir()
    with pytest.raises(SessionError, match="holds no outing that can be read"):
        club.others_below(place / "none")
    with pytest.raises(ValueError, match="no outing holds a gauge reading"):
        before_buying(newcomer, [replace(one, readings=()) for one in records])
