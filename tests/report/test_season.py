"""The season page as a rider reads it, and how it is made and renewed."""

import datetime
import json
import re
import shutil
from dataclasses import replace

import nbformat
import pytest

import tuninglib
from tests.browser import chromium, shown
from tests.conftest import ROOT
from tuninglib.__main__ import main
from tuninglib.analysis.analyse import analyse, results_document
from tuninglib.report import season
from tuninglib.report import season as words
from tuninglib.report.season import make_seasons, outings_below, season_below
from tuninglib.session.load import load_session
from tuninglib.text_files import SessionError

SUMMER = ROOT / "demo_data" / "one_summer"


def report(folder, *more):
    """One report after the other: to start processes would take longer."""
    return main(["report", str(folder), *more, "--jobs", "1", "--quiet"])


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("club") / "summer"
    shutil.copytree(SUMMER, folder)
    assert report(folder) == 0
    return folder


@pytest.fixture
def copy(made, tmp_path):
    return shutil.copytree(made, tmp_path / "summer")


def edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.mark.slow
def test_the_page_says_what_the_season_says_and_links_the_reports(made, capsys):
    page = (made / "season.html").read_text(encoding="utf-8")
    assert page.count('.report/report.html"') == 4
    assert "<h1>DEMO, INVENTED: A season of" in page
    assert 'href="2_june.report/report.html"' in page
    assert "more pull than stock" in page
    assert "Outings from 23 May 2026 to 22 August 2026" in page
    assert "from the results beside each outing's report" in page.replace("&#39;", "'")
    assert "Read the cautions before riding." in page
    assert "Ride now" in page
    assert "the report counts" in page
    assert "too lean" not in page
    assert "Local law, the maker's manual" in page.replace("&#39;", "'")
    assert str(made) not in page
    before = (made / "season.html").stat().st_mtime_ns
    assert report(made) == 0
    assert (made / "season.html").stat().st_mtime_ns == before
    assert str(made / "season.html") in capsys.readouterr().out


def _anything(document, *path, to):
    """The document with something else at a place of it."""
    found = json.loads(json.dumps(document))
    place = found
    for key in path[:-1]:
        place = place[key]
    place[path[-1]] = to
    return json.dumps(found)


@pytest.mark.slow
def test_forged_results_stop_nobodys_page(made, tmp_path):
    for name in ("1_may", "1_may.report"):
        shutil.copytree(made / name, tmp_path / name)
    honest = outings_below(tmp_path)
    path = tmp_path / "1_may.report" / "results.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    lacking = {key: one for key, one in document["season"].items() if key != "knocks"}
    for text in (
        "[" * 100_000,
        _anything(document, "season", to=lacking),
        _anything(document, "season", "more", to=1),
        _anything(document, "season", "gauge_sd", to="wide"),
        _anything(document, "season", "gauge_sd", to=float("nan")),
        _anything(document, "season", "riders", to=[["me"]]),
        _anything(document, "season", "ecu_corrects", to=1),
        _anything(document, "season", "engines", to={}),
        _anything(document, "season", "forces", "mean", to=[1.0]),
        _anything(document, "season", "forces", "covariance", 0, to=[]),
        _anything(document, "date", to="yesterday"),
        _anything(document, "title", to=None),
        _anything(document, "provenance", to=[]),
        _anything(document, "provenance", to={"runs.csv": None}),
    ):
        path.write_text(text, encoding="utf-8")
        assert outings_below(tmp_path) == honest, text[:200]


@pytest.mark.slow
def test_a_bad_session_is_left_out_and_a_copy_counted_once_and_both_are_said(copy, capsys):
    shutil.copytree(copy / "2_june", copy / "2_june_again")
    shutil.copytree(copy / "1_may", copy / "5_bad")
    edit(copy / "5_bad" / "session.toml", "[bike]", "[bike")
    assert report(copy) == 2
    page = (copy / "season.html").read_text(encoding="utf-8")
    assert "2_june_again has the same runs as 2_june; they are counted once." in page
    assert "5_bad is left out: something in its files needs fixing first." in page
    assert "5_bad" in capsys.readouterr().err


@pytest.mark.slow
def test_knock_stands_before_any_gain(copy):
    edit(copy / "2_june" / "runs.csv", "none,full\n4,", "light,full\n4,")
    found = season_below(copy)
    labels = [label for label, _ in words.sentences(found).items]
    assert labels.index("Knock") < labels.index("big 164")
    assert "heard with big 164 on 20 June 2026" in str(words.sentences(found))
    rows = str(season.mixture_table(found))
    assert "knocked" in rows
    said = dict(words.sentences(found).items)
    assert said["big 164"].startswith("do not ride: knock. Measured: ")
    assert "do not ride" not in said["big 172"]
    assert "no reason to ride a combination that knocked" in str(season.mixture_sentences(found))


@pytest.mark.slow
def test_thin_seasons_have_words_for_what_is_missing(copy):
    for name in ("1_may", "2_june", "3_july", "4_august"):
        path = copy / name / "runs.csv"
        head, *rows = path.read_text(encoding="utf-8").splitlines()
        blank = [
            ",".join([*row.split(",")[:3], "", "", "", "", *row.split(",")[7:]]) for row in rows
        ]
        path.write_text("\n".join([head, *blank]) + "\n", encoding="utf-8")
    found = season_below(copy)
    assert "no speeds" in str(words.days(found))
    assert "no two setups" in str(season.gain_sentences(found))
    assert "no two setups" in str(season.gain_figure(found))
    assert "No reading" in str(season.mixture_sentences(found))
    assert str(season.mixture_table(found)) == str(season.gain_table(found)) == ""


@pytest.mark.slow
@pytest.mark.browser
def test_the_page_holds_on_a_phone_and_loads_nothing(made):
    with chromium() as browser:
        for width in (360, 1280):
            with shown(browser, made / "season.html", width=width) as page:
                assert page.evaluate("document.documentElement.scrollWidth") <= width
                assert (
                    page.locator("img:visible")
                    .get_attribute("alt")
                    .startswith("Two rows of panels")
                )
                assert page.locator("main table a").count() == 4


# In a moment, without the reports -----------------------------------------------------------------


@pytest.fixture(scope="module")
def may(tmp_path_factory):
    """One outing, with what its report would leave."""
    folder = tmp_path_factory.mktemp("one") / "summer"
    shutil.copytree(SUMMER / "1_may", folder / "1_may")
    found = results_document(analyse(load_session(folder / "1_may")))
    (folder / "1_may.report").mkdir()
    (folder / "1_may.report" / "results.json").write_text(json.dumps(found), encoding="utf-8")
    return folder


def test_an_outing_is_worked_out_again_only_where_its_results_are_of_other_files(
    may, tmp_path, monkeypatch
):
    asked = []
    monkeypatch.setattr(season, "analyse", lambda one: asked.append(one.folder) or analyse(one))
    (kept,), left_out = outings_below(may)
    assert (asked, left_out, kept.folder) == ([], (), "1_may")
    assert (kept.title, kept.date) == (
        "DEMO, INVENTED: Stock before the kit", datetime.date(2026, 5, 23),
    )  # fmt: skip
    folder = shutil.copytree(may, tmp_path / "summer")
    edit(folder / "1_may" / "runs.csv", ",15,none", ",16,none")
    shutil.copytree(folder / "1_may", folder / "2_bad")
    edit(folder / "2_bad" / "session.toml", "[bike]", "[bike")
    (anew,), left_out = outings_below(folder)
    assert (asked, left_out) == ([folder / "1_may"], ("2_bad",))
    assert anew.runs_checksum != kept.runs_checksum
    # Its reports are looked for where they are said to be.
    monkeypatch.setattr(season, "analyse", None)
    shutil.copytree(may / "1_may", tmp_path / "bare" / "1_may")
    assert outings_below(tmp_path / "bare", may) == ((kept,), ())
    with pytest.raises(SessionError, match="has no session below it"):
        outings_below(may / "1_may.report")


def test_each_bike_with_two_outings_has_a_page_that_is_renewed_when_it_changes(
    may, tmp_path, monkeypatch
):
    (one,), _ = outings_below(may)

    def of(bike, folder):
        record = replace(one.record, bike=bike)
        return replace(one, folder=folder, title=f"of {bike}", record=record)

    named = "The <b>Blue</b> 1"
    blue = [of(named, "a"), of(named, "m"), of(named, "b")]
    blue[-1] = replace(blue[-1], date=datetime.date(2026, 9, 1))
    others = [of("the b-blue-b 1", "c"), of("the b-blue-b 1", "d"), of("lone", "e")]
    given, told = [(tuple(blue), ())], []
    monkeypatch.setattr(season, "outings_below", lambda *_: given[-1])
    monkeypatch.setattr(season.make, "run_workbook", lambda path, parameters, **_: told.append(
        (path.name, parameters)) or nbformat.v4.new_notebook())  # fmt: skip
    (path,) = make_seasons(tmp_path)
    assert (path, told) == (tmp_path / "season.html", [("season.ipynb", {
        "season_folder": str(tmp_path), "reports_folder": "", "bike": named, "links": True,
    })])  # fmt: skip
    page = path.read_text(encoding="utf-8").replace("&#39;", "'")
    assert "<h1>A season of The &lt;b&gt;Blue&lt;/b&gt; 1</h1>" in page
    assert "Outings from 23 May 2026 to 1 September 2026" in page
    assert "All readings come from the rider. Read the cautions before riding." in page
    assert re.search(r"\(checksum [0-9a-f]{32}\)", page)
    assert f"Made with tuninglib {tuninglib.__version__} from the results beside each" in page
    make_seasons(tmp_path)
    assert len(told) == 1, "nothing has changed"
    given.append((tuple(blue), ("left out",)))
    assert make_seasons(tmp_path) == (path,)
    assert (tmp_path / "season.earlier-1.html").is_file()
    # Names that come out the same are told apart, and what is elsewhere stays there.
    given.append(((*blue, *others), ()))
    first, second = make_seasons(tmp_path / "in", tmp_path)
    assert {one.name[:22] for one in (first, second)} == {"season.the-b-blue-b-1-"}
    assert first != second
    assert told[-1][1]["reports_folder"] == str(tmp_path)
    assert [season._file_name(one, (named, "ö")) for one in (named, "ö")] == [
        "season.the-b-blue-b-1", "season.unnamed",
    ]  # fmt: skip


def test_without_a_name_the_bike_with_most_outings_is_taken(may, monkeypatch):
    (one,), _ = outings_below(may)
    known = [
        replace(one, folder=at, runs_checksum=at, record=replace(one.record, bike=bike))
        for at, bike in (("0", "lone"), ("1", "blue"), ("2", "blue"))
    ]
    monkeypatch.setattr(season, "outings_below", lambda *_: (tuple(known), ("bad",)))
    assert [own.folder for own in season_below(may).outings] == ["1", "2"]
    assert [own.folder for own in season_below(may, "lone").outings] == ["0"]
    said = str(season.remarks(season_below(may)))
    assert "Note: bad is left out: something in its files needs fixing first." in said
