"""What was taken for granted that the rider could have said, and what would surprise."""

from tuninglib.report.cells import distance_text, plain, spaced, taken
from tuninglib.rounding import fixed, listing, percent
from tuninglib.session.defaults import day_temperature_of, ethanol_of
from tuninglib.statistics.speedometer import legal_true_speed_m_s
from tuninglib.units import convert

# Mean wheel power over the hill above which a remark is made. Road singles reach 60 to 80 kW a
# litre at their best engine speed, less on average (common practice).
SURPRISING_OUTPUT_W_M3 = 55e6
# And below which one is. At full throttle a four-stroke's mean pressure, as far as it arrives at
# the wheel, is 6 bar or more (common practice); with that, it would turn below 2800 rpm.
SMALL_OUTPUT_W_M3 = 14e6
# Highest mean wind of a road test in UN GTR 2 (from memory).
STRONG_WIND_M_S = 3.0


def remarks(results) -> list:
    """What was taken for granted that the rider could have said."""
    session, found = results.session, []
    if session.gauge.scale is None and session.runs["gauge_low"].notna().any():
        found.append(
            "the gauge's scale is not known (what it prints at lambda 1), so its readings say "
            "nothing about lambda and no mixture is judged; write scale under [gauge]."
        )
    unlabelled = [
        name for name, fuel in session.fuels.items() if ethanol_of(fuel).source != "stated"
    ]
    if unlabelled:
        found.append(
            f"the ethanol content of {listing(unlabelled)} is not written down; 5 % is taken, and "
            "0 to 10 % would move lambda by about 2 % either way."
        )
    if air_was_not_read(session):
        day = day_temperature_of(session)
        low, high = (
            plain(end, "temperature", session.about.units)
            for end in (day.value - day.half_width, day.value + day.half_width)
        )
        found.append(
            "the air temperature was not written down for every run, so the others are taken to be "
            f"somewhere from {low} to {high}, which widens force and power. Write temperature "
            "under [weather], be it as a range."
        )
    found += _running_in(session)
    without = int((session.runs["entry_taken"] & (session.runs["exclude"] == "")).sum())
    if without:
        entry = taken(session.hill.entry_speed, "speed", session.about.units)
        found.append(
            f"{without} of the runs have no entry speed of their own, so the one said for all of "
            f"them is taken: {entry} as shown. What is not known of it counts on every run anew "
            "and once for all together: gains and forces are wider for it."
        )
    if results.pressure_source == "altitude":
        found.append(
            "no air pressure was written down, so that of the standard atmosphere at the hill's "
            "altitude is taken; the day's can differ by 3 %."
        )
    if results.pressure_source == "sea level":
        found.append(
            "neither air pressure nor altitude was written down, so standard pressure at sea "
            f"level is taken; every {plain(100.0, 'length', session.about.units)} of altitude is "
            "1.2 %."
        )
    if results.road is None:
        ridden = any(run.shown_entry_m_s is not None for run in results.runs)
        found.append(
            f"no run of the reference {spaced(results.reference)} has speeds, so no gain can be "
            "worked out."
            if ridden
            else "no run has speeds, so no gain can be worked out."
        )
    else:
        found += _surprises(results)
        found += _speedometer(results)
    if results.road and results.road.speed_factor.source == "legal range":
        factor = results.road.speed_factor
        found.append(
            "the speedometer is not calibrated. Legal ones may read high, never low; true speed "
            f"is taken as {fixed(factor.value, 2)} ± {fixed(factor.half_width, 2)} of what it "
            "shows (UN R39), which is part of every interval." + _if_shown_high(results)
        )
    return found


def _running_in(session) -> list:
    """Engines that were ridden at full throttle before they were run in, as far as is said."""
    rows = session.runs[(session.runs["state"] == "full") & (session.runs["exclude"] == "")]
    ridden = {session.setups[name].engine for name in rows["setup"]}
    found, system = [], session.about.units
    for name, engine in session.engines.items():
        wanted, since = engine.running_in, engine.since_opened
        if name not in ridden or wanted is None:
            continue
        asked = f"its parts ask for {distance_text(wanted.value, system)} of running in"
        if since is None:
            found.append(
                f"the engine {spaced(name)} was ridden at full throttle, and {asked}: was it run "
                "in? Write since_opened under its table."
            )
        elif since.value < wanted.value:
            found.append(
                f"the engine {spaced(name)} was ridden at full throttle "
                f"{distance_text(since.value, system)} after it was opened, but {asked}: it may "
                "wear, and pull less than it will."
            )
    return found


def _if_shown_high(results) -> str:
    """How a speedometer at the legal limit would change the gain that matters most."""
    setup = results.plan.ride.setup if results.plan.ride else None
    if setup not in results.road.gain_if_shown_high:
        setup = next(iter(results.road.gain_if_shown_high), None)
    if setup is None:
        return ""
    stated = next(pull.gain.ratio.value for pull in results.pulls if pull.setup == setup)
    return (
        f" If it shows as much too much as the law allows, the gain of {spaced(setup)} is "
        f"{percent(results.road.gain_if_shown_high[setup], 1)} instead of {percent(stated, 1)}."
    )


def _speedometer(results) -> list:
    """A calibration that the law would not expect."""
    factor = results.road.speed_factor
    if factor.source not in ("stated", "checks", "pairs"):
        return []
    shown = [run.shown_exit_m_s for run in results.runs if run.force_n is not None]
    middle = sum(shown) / len(shown)
    lowest, highest = (speed / middle for speed in legal_true_speed_m_s(middle))
    low, high = factor.value - factor.half_width, factor.value + factor.half_width
    if low > highest:
        return [
            "by its calibration the speedometer shows less than the true speed, which no legal one "
            "may: check the calibration."
        ]
    if high < lowest:
        return [
            "by its calibration the speedometer shows more than UN R39 allows (true speed plus a "
            "tenth plus 4 km/h): check the calibration, the tyre size and the gearing."
        ]
    return []


def _surprises(results) -> list:
    """Forces and winds that are possible, but would surprise."""
    session, found = results.session, []
    output = {
        pull.setup: pull.power_w.value
        / session.engines[session.setups[pull.setup].engine].displacement_m3
        for pull in results.pulls
    }
    timed = [run for run in results.runs if run.counts and run.shown_exit_m_s is not None]
    slowed = [run for run in timed if run.shown_exit_m_s < run.shown_entry_m_s]
    if len(slowed) > len(timed) / 2:
        least = min(pull.force_n.value for pull in results.pulls)
        found.append(
            f"on {len(slowed)} of {len(timed)} runs the bike was slower at the marker than at the "
            f"start line, at full throttle. That makes {least:.0f} N at the wheel of the weakest "
            "setup: check that entry_speed and exit_speed are not swapped."
        )
    loud = [spaced(setup) for setup, value in output.items() if value > SURPRISING_OUTPUT_W_M3]
    if loud:
        found.append(
            f"{listing(loud)} would put up to {max(output.values()) / 1e6:.0f} kW a litre on the "
            "road on average over the hill, a lot for a road engine: check the units of the speeds "
            "(km/h or mph?), the masses and the grade."
        )
    elif output and max(output.values()) < SMALL_OUTPUT_W_M3:
        found.append(
            f"no setup puts more than {max(output.values()) / 1e6:.0f} kW a litre on the road on "
            "average over the hill, little for full throttle: check the units of the speeds (mph "
            "or km/h?), the masses and the grade."
        )
    found += _mixed_units(session.speed_units)
    wind = session.weather.headwind
    blowing = max([abs(wind.value), *(abs(v) for v in session.runs["headwind_m_s"].dropna())])
    if blowing > STRONG_WIND_M_S:
        found.append(
            f"a wind of {blowing:.1f} m/s was written down; standards for road tests stop at "
            f"{STRONG_WIND_M_S:g} m/s on average (UN GTR 2, from memory)."
        )
    return found


def _mixed_units(units) -> list:
    """Columns of one speedometer under different units."""
    by_unit = {}
    for key, unit in units.items():
        by_unit.setdefault(convert(1.0, unit, "m/s"), (unit, []))[1].append(key)
    if len(by_unit) < 2:
        return []
    said = [f"{listing(keys)} in {unit}" for unit, keys in by_unit.values()]
    return [
        f"runs.csv has {listing(said)}, but one speedometer shows one unit: check the header, as a "
        "wrong unit in it makes another vehicle's forces."
    ]


def air_was_not_read(session) -> bool:
    """Whether the air of a timed run is known neither from its row nor from the day."""
    runs = session.runs
    timed = runs[(runs["exclude"] == "") & runs["shown_exit_m_s"].notna()]
    return session.weather.temperature is None and timed["air_temperature_k"].isna().any()
