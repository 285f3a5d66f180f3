"""Before you buy: ``before.html``, what other bikes' outings say of an engine that nobody ran yet.

Packed outings and folders are read; what is broken is named and left out. Of another rider's outing
nothing is shown but its title.
"""

import contextlib
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace

import nbformat

import tuninglib
from tuninglib.analysis.analyse import provenance
from tuninglib.analysis.club import BeforeBuying, BikeRecord, before_buying, bike_record
from tuninglib.analysis.combinations import stop_limits
from tuninglib.report import cautions, page_parts
from tuninglib.report.advice import shut_word
from tuninglib.report.make import report_folder, sessions_in
from tuninglib.report.page_parts import (
    NONE,
    Picture,
    Prose,
    Table,
    as_points,
    count_of,
    day_of,
    gain_text,
    money,
    picture,
    render_page,
    shown,
    spaced,
    table_of,
    whose_readings,
    with_unit,
)
from tuninglib.report.run_sheet import edge_text, hottest_text
from tuninglib.rounding import interval_text, listing, odds_text, percent, quantity_text
from tuninglib.session.load import load_session, unpack_session
from tuninglib.session.read_table import RUNS
from tuninglib.session.read_toml import TOML, read_toml, what_stands
from tuninglib.session.schema import INVENTED
from tuninglib.text_files import Problem, SessionError, printable, quoted, read_table, shortened
from tuninglib.whole_files import write_together

# The newcomer's session, and the outings of the others --------------------------------------------

PAGE = "before.html"
# What the answer rests on; the rest of session.toml may still be empty.
_NEEDED = ("about", "bike", "gauge", "weather", "target", "use", "assumptions", "engines",
           "injectors", "fuels", "setups")  # fmt: skip
_TITLE = 80


def newcomer_of(folder: Path | str) -> SimpleNamespace:
    """A session without runs, as far as the answer needs it.

    Parameters
    ----------
    folder : path

    Raises
    ------
    SessionError
        If something that is needed is missing or wrong, or runs were ridden already.
    """
    folder, problems = Path(folder), []
    if not (folder / TOML).is_file():
        said = "holds no session.toml; tuninglib new writes one to fill in"
        raise SessionError([Problem(printable(folder.name), said)])
    if (folder / RUNS).is_file() and read_table(folder / RUNS).rows:
        said = (
            "has runs already: tuninglib report goes by them, and they tell more than other bikes "
            "do; move the file away to ask the others alone"
        )
        raise SessionError([Problem(RUNS, said)])
    read_toml(folder / TOML, problems)
    found = what_stands(folder)
    # A named table that is half right has None in it.
    known = [getattr(found, name) for name in _NEEDED]
    if not all(one and (not isinstance(one, dict) or None not in one.values()) for one in known):
        raise SessionError(problems)
    return found


def others_below(
    folder: Path | str, *, own: Path | str | None = None, without: Sequence[str] = ()
) -> tuple[tuple[BikeRecord, ...], tuple[tuple[str, str], ...]]:
    """Every packed outing and every session's folder below a folder.

    Parameters
    ----------
    folder : path
    own : path, optional
        The newcomer's, which is passed over.
    without : sequence of str
        Names of files or folders, or titles, to leave out.

    Returns
    -------
    records : tuple of BikeRecord
    left_out : tuple of (str, str)
        Name of a file or folder, and why it is not read.

    Raises
    ------
    SessionError
        If there is none, or none by a name that is to be left out.
    """
    folder, records, left_out, used = Path(folder), [], [], set()
    if not folder.is_dir():
        raise SessionError([Problem(str(folder), "is not a folder that exists")])
    packed = [path for path in folder.rglob("*.zip") if path.is_file() and not path.is_symlink()]
    places = sorted({*packed, *sessions_in(folder)})
    mine = Path(own).resolve() if own else None
    for place in (one for one in places if one.resolve() != mine):
        name = printable(place.relative_to(folder.parent).as_posix())
        asked = {name, place.name, place.name.partition(".outing")[0]} & {*without}
        try:
            if not asked:
                with _as_folder(place) as outing:
                    session, checksums = load_session(outing), dict(provenance(outing))
                    asked = {session.about.title} & {*without}
                    records += [] if asked else [bike_record(session, checksums[RUNS])]
            said = "as you asked" if asked else ""
        except SessionError as error:
            first = error.problems[0]
            said = first.message if first.file == place.name else str(first)
        except (ValueError, ArithmeticError, LookupError):
            # What reads well may still be beyond any sum: it stops nobody's page.
            said = "its numbers lead to no answer"
        used |= asked
        left_out += [(name, said)] if said else []
    unknown = [one for one in without if one not in used]
    if unknown:
        said = f"has no outing named {quoted(unknown[0])}; give a file's name or a title"
        raise SessionError([Problem(printable(folder.name), said)])
    if not records:
        said = "holds no outing that can be read; put packed outings (.outing.zip) or folders there"
        problems = [Problem(name, said) for name, said in left_out]
        raise SessionError([Problem(printable(folder.name) or str(folder), said), *problems])
    return tuple(records), tuple(left_out)


@contextlib.contextmanager
def _as_folder(place: Path) -> Iterator[Path]:
    """A session's folder; of a packed one a copy for the moment, after all checks of unpacking."""
    if place.is_dir():
        yield place
        return
    with tempfile.TemporaryDirectory() as moment:
        yield unpack_session(place, Path(moment) / "outing")


# Words --------------------------------------------------------------------------------------------


def _title(title) -> str:
    return f"“{shortened(title, _TITLE)}”"


def verdict(told: BeforeBuying) -> Prose:
    """Which injector to try first, with its chances and when to stop."""
    if told.first is None:
        return Prose((("Buy nothing yet", _why_nothing(told)),), style="verdict")
    one, session = told.first, told.session
    price = f" for {money(one.price, session)}" if one.price is not None else ""
    verb, have = ("Fit first", ", which you have") if told.owned else ("Buy first", price)
    fuels = _tried_on(told)
    chances = ", ".join(
        f"{odds_text(own.odds.inside)}{'' if at else ' chance of being in the band'} on "
        f"{spaced(own.fuel)} (leaner: {odds_text(own.odds.leaner)})"
        for at, own in enumerate(fuels)
    )
    edge = edge_text(stop_limits(session))
    shut = [spaced(own.fuel) for own in one.fuels if own not in fuels]
    knocked = f" Not on {listing(shut)}: other bikes knocked on it." if shut else ""
    text = (
        f"injector {spaced(one.injector)} ({_flow(told, one)}){have}, for the engine "
        f"‘{spaced(told.engine)}’: {chances}.{knocked} Other bikes say so; nobody has read yours. "
        f"{'It' if told.owned else 'A first purchase'} is a trial under the gauge: stop beyond "
        f"{edge}, and at the first rattle."
    )
    return Prose(((verb, text),), style="verdict")


def _tried_on(told) -> list:
    """The first offer on the fuels that it is for."""
    return [own for own in told.first.fuels if own.fuel not in _knocked(told)]


def _knocked(told) -> set:
    """Fuels that other bikes' knock shuts."""
    return {one.fuel for one in told.heard if one.shut}


def _flow(told, one) -> str:
    return with_unit(one.flow_m3_s, "flow", told.session.about.units)


def _band(told) -> str:
    return f"{told.band.lowest:.2f} to {told.band.highest:.2f}"


def _why_nothing(told) -> str:
    if not told.offers:
        return "none of your fuels may be burnt in this engine; see the limits under [bike]."
    if all(own.fuel in _knocked(told) for own in told.offers[0].fuels):
        return (
            "bikes with this cylinder knocked on your fuels, or on fuels that resist knock no "
            "less. Find a fuel of a higher octane number, or less compression, before full "
            "throttle."
        )
    known = [own for one in told.offers for own in one.fuels if own.fuel not in _knocked(told)]
    if all(own.gate and own.gate.fuel_limit for own in known):
        return (
            "your fuels are beyond what its maker allows for this engine: too little octane, or "
            "too much ethanol (see [bike] and [fuels])."
        )
    near = max(told.offers, key=lambda one: one.worst)
    middle = (told.band.lowest * told.band.highest) ** 0.5
    way = "larger" if near.fuels[0].lambda_.value > middle else "smaller"
    return (
        f"none of the injectors listed is likely enough to be inside the band without being lean. "
        f"The nearest is {spaced(near.injector)} ({_flow(told, near)}); list {way} ones under "
        "[injectors], or read your bike as it is first."
    )


def points(told: BeforeBuying) -> Prose:
    """What the answer rests on and what else the others know."""
    return as_points([*_mixture_items(told), *_pull_items(told), *_harm_items(told)])


def _mixture_items(told):
    first = told.first
    if first is not None:
        text = (
            f"no bike with this cylinder read an injector of {_flow(told, first)}. What is said of "
            "it follows from the rest."
        )
        if first.read:
            text = (
                f"{first.inside} of {count_of(first.read, 'bike')} with this cylinder ran inside "
                f"the band (lambda {_band(told)}) on {_flow(told, first)}."
            )
        yield "The others", text
        tried, said = _tried_on(told), []
        now, fuel = min(own.odds.inside for own in tried), spaced(tried[0].fuel)
        if told.after_stock is not None and told.after_stock > now + 0.01:
            said.append(
                f"read the bike as it is now, before you change it: the best of these then has "
                f"a chance of {odds_text(told.after_stock)}, on average, on {fuel}"
            )
        if told.after_first is not None and told.after_first > now + 0.01:
            said.append(
                f"after the first reading of {spaced(first.injector)}, the best of these has "
                f"{odds_text(told.after_first)}"
            )
        if said:
            yield "One reading more", f"{'; '.join(said)}."
    stock = ""
    if told.stock is not None:
        stock = f", with lambda {interval_text(told.stock)} as delivered, as these bikes have it"
    system = told.session.about.units
    guess = quantity_text(told.guess_m3_s, "flow", system)
    least = with_unit(told.guess_m3_s.low, "flow", system)
    yield "First guess", f"by displacement{stock}: {guess}. Nothing below {least} is named here."


def _pull_items(told):
    system = told.session.about.units
    if told.gain is None:
        yield "Gain in pull", "no outing compares this cylinder with the engine as it was made."
        return
    bikes = count_of(told.gains, "bike")
    text = f"{gain_text(told.gain)} over the engine ‘{spaced(told.made)}’, from {bikes}"
    if told.marker_m_s is not None:
        more = quantity_text(told.marker_m_s, "speed", system)
        text += f". At your marker that is {more} more, if your gearing is like theirs"
    yield "Gain in pull", f"{text}. Never go leaner to win a marker speed."


def _harm_items(told):
    system = told.session.about.units
    if told.engine != told.made:
        text = "no full throttle before the new cylinder is run in, as its maker asks."
        yield "Running in", text
    for fuel in told.octane:
        text = f"whether {spaced(fuel)} has enough for this engine is not known; find out first."
        yield "Octane", text
    for one in told.heard:
        listened = count_of(one.listened, "bike")
        text = f"none heard inside the band on {listened}; that is not none."
        if one.knocked:
            so = "Nothing is bought for this fuel." if one.shut else "Stop at the first rattle."
            text = f"heard on {one.knocked} of {listened}. {so}"
        if not one.listened:
            text = "nobody with this cylinder listened."
        if one.lean:
            text += (
                f" {count_of(one.lean, 'other')} knocked lightly, only where leaner than the band."
            )
        yield "Knock", f"on {spaced(one.fuel)}: {text}"
    limits = stop_limits(told.session)
    if told.hottest:
        hottest = with_unit(told.hottest[0], "temperature", system)
        text = f"the hottest head was {hottest}, in {count_of(len(told.hottest), 'outing')}"
        over = sum(limits.too_hot(one) for one in told.hottest)
        limit = f"; {over} above {hottest_text(limits, system)}, where a run ends" if over else ""
        yield "Heat", f"{text} that measured it{limit}."
    else:
        yield "Heat", "no outing with this cylinder measured the head."
    for currency, own in told.costs.items():
        ends = " to ".join(dict.fromkeys(f"{one:g}" for one in (own[0], own[-1])))
        text = f"{ends} {currency}".strip()
        yield "Cost", f"the parts cost the others {text} ({count_of(len(own), 'outing')})."


def remarks(told: BeforeBuying, left_out: Sequence[tuple[str, str]] = ()) -> Prose:
    """What no outing knows, whose numbers stand apart, and what was not read."""
    items = [*_of_all(told).items()]
    for one in told.beside:
        items += _of_outing(one).items()
    for bike in dict.fromkeys(one.record.bike for one in told.beside if one.record.bike):
        own = [_title(one.record.title) for one in told.beside if one.record.bike == bike]
        if len(own) > 1:
            items.append(("One bike", f"{listing(own)} name the same bike, and count as one."))
    items += [
        ("Counted once", f"{listing(map(_title, both))} have the same runs.")
        for both in told.copies
    ]
    items += [("Left out", f"{name}: {said.removesuffix('.')}.") for name, said in left_out]
    return as_points(items)


def _of_all(told) -> dict:
    """Of the outings together, by label."""
    said = {}
    if told.bikes > 1:
        said["Check"] = _left_one_out(told)
    if told.new_kit:
        said["Not known"] = (
            "no outing has readings with just this cylinder; what it breathes is assumed."
        )
    if told.other_kind:
        said["Other bikes"] = (
            f"{count_of(told.other_kind, 'outing')} of a bike that left the factory with another "
            "displacement or injector, or that does not show it: these count for less."
        )
    if told.other_air > 0.03:
        said["Other air"] = (
            f"others rode in air up to {percent(told.other_air)} denser or thinner than yours, and "
            "whether the ECU corrects for it is not stated (density_compensation under [bike]): "
            "the intervals allow for both."
        )
    unread = [spaced(one.injector) for one in told.offers if not one.read]
    if unread and not told.new_kit:
        said["Not known"] = f"nobody with this cylinder read an injector such as {listing(unread)}."
    return said


def _of_outing(one) -> dict:
    """Of one outing, by label."""
    said, title, off = {}, _title(one.record.title), one.record.gauge_off
    if one.odd:
        way = "leaner" if one.others.off > 0 else "richer"
        said["Stands apart"] = (
            f"{title} reads {percent(abs(one.others.off))} {way} than the others predict, and "
            "counts for little. A wrong flow, displacement or gauge scale looks like that."
        )
    if off is not None:
        said["Gauge"] = (
            f"{title}: at idle or cruise, where its ECU (engine control unit) holds lambda 1, its "
            f"gauge read {percent(abs(off))} {'lean' if off > 0 else 'rich'}. The gauge is off, or "
            "air leaks in before it; its readings count for little."
        )
    if one.record.corrects:
        said["ECU corrects"] = (
            f"{title}: the ECU corrected at full throttle, so its readings do not count. If yours "
            "does the same, another injector does not move the mixture."
        )
    return said


def _left_one_out(told) -> str:
    # Outings of one bike are left out together.
    bikes = {id(one.others): one.others.held for one in told.beside if one.others is not None}
    held = [one for own in bikes.values() for one in own]
    return (
        f"each bike in turn was left out: the 95 % intervals of the others held {sum(held)} of "
        f"{count_of(len(held), 'reading')}, all setups together."
    )


def table(told: BeforeBuying) -> Table | Prose:
    """Every injector on every fuel."""
    several = len({own.fuel for one in told.offers for own in one.fuels}) > 1
    columns = {
        "Injector": lambda row: spaced(row[0].injector) + (
            f", {spaced(row[1].fuel)}" if several else ""
        ),
        ("Flow", "flow"): lambda row: row[0].flow_m3_s,
        "Lambda": lambda row: interval_text(row[1].lambda_, most_decimals=2),
        f"Inside {_band(told)}": lambda row: odds_text(row[1].odds.inside),
        "Leaner": lambda row: odds_text(row[1].odds.leaner),
        "Others inside": lambda row: (
            f"{row[0].inside} of {row[0].read}" if row[0].read else NONE
        ),
        "Mind": lambda row: _mind(told, *row),
    }  # fmt: skip
    rows = [(one, own) for one in told.offers for own in one.fuels]
    note = (
        "Of your engine, before anything is read: in brackets the 95 % interval. Others inside: "
        "bikes with this cylinder and this flow, as read on their own fuels."
    )
    system = told.session.about.units
    return table_of(rows, columns, "Injectors on your engine", note, system=system)


def _mind(told, offer, own) -> str:
    if own.fuel in _knocked(told):
        return "do not ride: knock on other bikes"
    found = ["try first"] if offer is told.first else []
    if not own.may_be_tried:
        found.append(f"do not ride: {shut_word(own)}")
    elif own.gate is not None:
        found.append(f"{shut_word(own)}: under the gauge only")
    if offer.small and own.may_be_tried:
        found.append("smaller than the first guess")
    return "; ".join(found) or NONE


def figure(told: BeforeBuying) -> Picture | Prose:
    """Lambda of each injector with its interval, and the band."""
    offers = told.offers
    if not offers:
        return Prose(())
    fuels, names = [own.fuel for own in offers[0].fuels], [one.injector for one in offers]
    labels = [spaced(fuel) for fuel in fuels]

    def drawn(width_in):
        height_in = 1.0 + (0.3 + 0.2 * len(fuels)) * len(names)
        legend = labels if len(labels) > 1 else ()
        drawing, (ax,) = page_parts.figure_of(width_in, height_in, names, legend=legend)
        ax.axvspan(told.band.lowest, told.band.highest, color=page_parts.BAND, linewidth=0)
        handles = []
        for number in range(len(fuels)):
            colour, mark, _ = page_parts.look_of(number)
            for place, one in enumerate(offers):
                own, at = one.fuels[number], place + 0.4 * ((number + 0.5) / len(fuels) - 0.5)
                shut = _shut(told, one, own)
                ink = page_parts.SOFT if shut else colour
                ax.plot([own.lambda_.low, own.lambda_.high], [at, at], color=ink,
                        linewidth=4 if one is told.first and not shut else 2,
                        linestyle=(0, (2, 1)) if shut else "-")  # fmt: skip
                handle = ax.plot(own.lambda_.value, at, mark, color=ink, markersize=7,
                                 markerfacecolor="white" if shut else ink)  # fmt: skip
            handles += handle
        page_parts.title(ax, "Lambda at full throttle on your engine")
        page_parts.name_rows(ax, names)
        if legend:
            page_parts.add_legend(drawing, handles, labels)
        return drawing

    words = [
        f"{spaced(one.injector)} on {spaced(own.fuel)} {interval_text(own.lambda_)}"
        f"{', not to be tried' if _shut(told, one, own) else ''}"
        for one in offers
        for own in one.fuels
        if own.lambda_ is not None
    ]
    alt = (
        f"Lambda of each injector with its 95 % interval, and the band from {_band(told)}: "
        f"{listing(words)}."
    )
    caption = (
        "No injector listed is likely enough to be inside the band."
        if told.first is None
        else f"{spaced(told.first.injector)} is the one to try first."
    )
    key = "Shaded: the band. Thick: the one to try first. Hollow and broken: do not try."
    return picture(drawn, alt, caption, key)


def _shut(told, offer, own) -> bool:
    return not own.may_be_tried or offer.small or own.fuel in _knocked(told)


def outings(told: BeforeBuying) -> Table | Prose:
    """Every outing by its title, and whether the others predicted its readings."""
    system = told.session.about.units
    columns = {
        "Outing": lambda one: _title(one.record.title),
        ("Read with this cylinder", "flow"): lambda one: (
            listing(shown(flow, "flow", system) for flow in one.injectors) or NONE
        ),
        "Held by the others": lambda one: (
            NONE if one.others is None or told.bikes < 2
            else f"{sum(one.others.held)} of {len(one.others.held)}"
        ),
    }  # fmt: skip
    return table_of(told.beside, columns, "The outings", system=system)


def method(told: BeforeBuying) -> Prose:
    """How it was worked out."""
    bikes = (
        f"one model over {count_of(told.bikes, 'bike')}: a level of mixture, how lambda follows "
        "flow, what the cylinder breathes and what injectors of one stated flow truly flow are "
        "shared; each bike, cylinder, injector, fuel and gauge has something of its own. Bikes "
        f"differ by about {percent(told.bike_sd, 1)} (standard deviation), as far as these tell."
    )
    before = (
        "before any reading a maker's mixture is taken as lambda 0.87 ± 14 %, bikes of one model "
        "as within 5 % of each other, and three quarters of an injector's tolerance as the "
        "seller's (common practice and ours); flow response, breathing and tolerances as under "
        "[assumptions] and [injectors]. One bike in twelve may be wrong by anything up to a "
        "quarter: such a bike is weighed by how far the others agree with it."
    )
    rules = (
        "chances, limits and the choice follow the rules of an outing's report. Your own first "
        "reading counts for more than this page."
    )
    return Prose((("Mixture", bikes), ("Assumed", before), ("Rules", rules)))


# The page -----------------------------------------------------------------------------------------


def make_before(
    session_folder: Path | str, others_folder: Path | str, without: Sequence[str] = ()
) -> tuple[Path, tuple[tuple[str, str], ...]]:
    """Write ``before.html`` for a session without runs.

    Parameters
    ----------
    session_folder : path
    others_folder : path
        With packed outings, and folders of others.
    without : sequence of str
        Names to leave out.

    Returns
    -------
    path : Path
        In the session's report folder; an earlier, different one is kept under a name of its own.
    left_out : tuple of (str, str)
        What was not read, and why.
    """
    newcomer = newcomer_of(session_folder)
    records, left_out = others_below(others_folder, own=session_folder, without=without)
    try:
        told = before_buying(newcomer, records)
    except ValueError as error:
        raise SessionError([Problem(printable(Path(others_folder).name), str(error))]) from None
    out = report_folder(session_folder)
    out.mkdir(parents=True, exist_ok=True)
    write_together({out / PAGE: _page(told, left_out)}, keep=True)
    return out / PAGE, left_out


def _page(told, left_out) -> str:
    about = told.session.about
    parts = (
        ("Which injector first", False, (verdict(told), figure(told), points(told))),
        ("Every injector", False, (table(told),)),
        ("The outings", False, (outings(told), remarks(told, left_out))),
        ("How it was worked out", True, (method(told),)),
        ("Cautions", False, (cautions.sentences(),)),
    )
    cells: list = []
    for heading, folded, pieces in parts:
        metadata = {"tags": ["folded"] if folded else []}
        cells.append({"cell_type": "markdown", "source": f"## {heading}", "metadata": metadata})
        cells.append({"cell_type": "code", "metadata": {}, "outputs": [*map(_output, pieces)]})
    titles = (about.title, *(one.record.title for one in told.beside))
    made_up = any(one.startswith(INVENTED) for one in titles)
    invented = f"{INVENTED}: " if made_up and not about.title.startswith(INVENTED) else ""
    whose = whose_readings(*titles) if made_up else "All readings come from their riders."
    outings_read = count_of(len(told.beside), "outing")
    others = count_of(told.bikes, "other bike")
    return render_page(
        nbformat.from_dict({"cells": cells}),
        title=f"{invented}Before you buy",
        byline=f"{about.title}, {day_of(about.date)}: what {others} say.",
        footer=f"Made with tuninglib {tuninglib.__version__} from {outings_read} of other bikes. "
        f"{whose} Read the cautions before riding.",
    )


def _output(piece) -> dict:
    """What a notebook would keep of something that it shows."""
    data = piece._repr_mimebundle_()
    data, metadata = data if isinstance(data, tuple) else (data, {})
    return {"output_type": "display_data", "data": data, "metadata": metadata}
