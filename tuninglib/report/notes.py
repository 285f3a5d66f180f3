"""The smaller sentences of a report: warnings, remarks, and how the sums are done."""

from tuninglib.rounding import fixed, listing, percent
from tuninglib.session.defaults import ethanol_of
from tuninglib.statistics.speedometer import legal_true_speed_m_s

# Mean wheel power over the hill above which a remark is made. Road singles reach 60 to 80 kW a
# litre at their best engine speed, less on average (common practice).
SURPRISING_OUTPUT_W_M3 = 55e6
# Highest mean wind of a road test in UN GTR 2 (from memory).
STRONG_WIND_M_S = 3.0

METHOD = (
    (
        "Wheel force",
        "the constant force at the tyre that turns the entry speed into the exit speed on this "
        "hill, against slope, rolling resistance and air drag; with a force that varies on the way "
        "it is the mean over the hill. Solved in closed form: at constant force the square of the "
        "speed is exponential in distance.",
    ),
    (
        "Gain",
        "ratio of two setups' mean wheel forces minus 1, from all runs at once by generalised "
        "least squares on the logarithm of force. What setups share (slope, drag, mass, wind of "
        "the day, speedometer) is one error for all and mostly cancels; what a run has of its own "
        "is estimated from the repeats, pooled over setups, with Student's t. The wheel force of a "
        "setup uses the same fit: runs of light and heavy riders, and of fast and slow entries, "
        "say a little of drag and slope, too.",
    ),
    (
        "Smallest visible gain",
        "the true gain that a test with these repeats and this scatter would have told apart in "
        "four of five such days (noncentral t, 5 % over all comparisons).",
    ),
    (
        "Weather",
        "moist-air density as an ideal gas, saturation pressure after IAPWS-IF97; engine output "
        "brought to 25 °C and 990 hPa of dry air by SAE J1349 (ISO 1585 beside it).",
    ),
    (
        "Lambda",
        "gauge reading over gauge scale. The true ratio is lambda times the stoichiometric ratio "
        "of the fuel, from an atom balance with standard atomic weights; petrol is taken as "
        "CH1.85 at 745 kg/m³ unless session.toml says better.",
    ),
    (
        "Injector ladder",
        "logarithm of lambda times stoichiometric ratio times density, linear in the logarithm of "
        "stated flow, with a deviation for each injector that is the same on all its runs and "
        "fuels; normal priors, closed-form posterior.",
    ),
    (
        "Intervals",
        "all 95 %. Everything after ± in session.toml is read as one, too.",
    ),
    (
        "Sources",
        "40 CFR 86.529-98 (road load of motorcycles), 40 CFR 1066.805 (reference air), SAE J1349 "
        "and ISO 1585 (output corrections), IAPWS-IF97, ISO 2533 (standard atmosphere), UN R39 "
        "(speedometers), JCGM 100 (uncertainty), Patterson and Thompson 1971 (restricted "
        "likelihood of the scatter), Satterthwaite 1946 (degrees of freedom of the mixtures).",
    ),
)


def _name(setup: str) -> str:
    return setup.replace("_", " ")


def warnings(results) -> list:
    """What can hurt, from what was read and heard."""
    found = []
    for run in results.runs:
        if run.knock != "none":
            found.append(f"{run.knock} knock was heard on run {run.run:g} ({_name(run.setup)}).")
    lean = [
        mixture
        for mixture in results.mixtures
        if mixture.odds and mixture.odds.leaner > 0.1 and mixture.setup not in results.knocked
    ]
    for mixture in lean:
        found.append(
            f"{_name(mixture.setup)} may be leaner than the band "
            f"(odds {percent(mixture.odds.leaner)})."
        )
    ladder = results.ladder
    if ladder and ladder.fitted:
        fitted = next(p for p in ladder.prospects if p.injector == ladder.fitted)
        leanest = fitted.fuels[0]
        if leanest.odds.leaner > 0.1:
            found.append(
                f"with {leanest.fuel} in the tank the kept setup may be leaner than the band "
                f"(odds {percent(leanest.odds.leaner)})."
            )
    return found


def remarks(results) -> list:
    """What was taken for granted that the rider could have said."""
    session, found = results.session, []
    if session.gauge.scale is None and session.runs["gauge_low"].notna().any():
        found.append(
            "the gauge's scale is not known (what it prints at lambda 1), so its readings say "
            "nothing about lambda and no mixture is judged; write scale under [gauge]."
        )
    unlabelled = [name for name, fuel in session.fuels.items() if fuel.ethanol is None]
    if unlabelled:
        found.append(
            f"the ethanol content of {listing(unlabelled)} is not written down; 5 % is taken, and "
            "0 to 10 % would move lambda by about 2 % either way."
        )
    if results.pressure_source == "altitude":
        found.append(
            "no air pressure was written down, so that of the standard atmosphere at the hill's "
            "altitude is taken; the day's can differ by 3 %."
        )
    if results.pressure_source == "sea level":
        found.append(
            "neither air pressure nor altitude was written down, so standard pressure at sea "
            "level is taken; every 100 m of altitude is 1.2 %."
        )
    if results.road is None:
        ridden = any(run.entry_m_s is not None for run in results.runs)
        found.append(
            f"no run of the reference {_name(results.reference)} has speeds, so no gain can be "
            "worked out."
            if ridden
            else "no run has speeds, so no gain can be worked out."
        )
    else:
        found += _surprises(results)
        found += _speedometer(results)
    if results.road and session.speedometer.factor is None and not session.speedometer.checks:
        factor = results.road.speed_factor
        found.append(
            "the speedometer is not calibrated. Legal ones may read high, never low; true speed "
            f"is taken as {fixed(factor.value, 2)} ± {fixed(factor.half_width, 2)} of what it "
            "shows (UN R39), which is part of every interval." + _if_shown_high(results)
        )
    return found


def _if_shown_high(results) -> str:
    """How a speedometer at the legal limit would change the gain that matters most."""
    setup = results.choice.keep
    if setup not in results.road.gain_if_shown_high:
        setup = next(iter(results.road.gain_if_shown_high), None)
    if setup is None:
        return ""
    stated = next(pull.gain.ratio.value for pull in results.pulls if pull.setup == setup)
    return (
        f" If it shows as much too much as the law allows, the gain of {_name(setup)} is "
        f"{percent(results.road.gain_if_shown_high[setup], 1)} instead of {percent(stated, 1)}."
    )


def _speedometer(results) -> list:
    """A calibration that the law would not expect."""
    stated, factor = results.session.speedometer, results.road.speed_factor
    if stated.factor is None and not stated.checks:
        return []
    shown = [run.exit_m_s for run in results.runs if run.force_n is not None]
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
    loud = [_name(setup) for setup, value in output.items() if value > SURPRISING_OUTPUT_W_M3]
    if loud:
        found.append(
            f"{listing(loud)} would put up to {max(output.values()) / 1e6:.0f} kW a litre on the "
            "road on average over the hill, a lot for a road engine: check the units of the speeds "
            "(km/h or mph?), the masses and the grade."
        )
    wind = session.weather.headwind
    blowing = max([abs(wind.value), *(abs(v) for v in session.runs["headwind_m_s"].dropna())])
    if blowing > STRONG_WIND_M_S:
        found.append(
            f"a wind of {blowing:.1f} m/s was written down; standards for road tests stop at "
            f"{STRONG_WIND_M_S:g} m/s on average (UN GTR 2, from memory)."
        )
    return found


def fuels(results) -> list:
    """What the fuels do to the reading on the same injector."""
    found = []
    ladder = results.ladder
    if ladder is None or len(results.session.fuels) < 2:
        return found
    scale = results.session.gauge.scale
    prospect = ladder.prospects[0]
    lean, *_, rich = prospect.fuels
    shift = lean.lambda_.value / rich.lambda_.value - 1
    shown = f", {fixed(shift * lean.lambda_.value * scale, 1)} on this gauge" if scale > 1.5 else ""
    found.append(
        f"on the same injector {lean.fuel} runs {percent(shift, 1)} leaner than {rich.fuel}{shown}."
    )
    return found


def gains(results) -> list:
    """What the gains rest on: repeats, riders, scatter."""
    road, found = results.road, []
    if road is None:
        return found
    if road.scatter_is_assumed:
        found.append(
            "no setup was repeated, so the scatter from run to run is not known; "
            f"{percent(road.scatter_sd, 1)} is assumed (session.toml can say better)."
        )
    else:
        found.append(
            f"from run to run the wheel force scatters by {percent(road.scatter_sd, 1)} (standard "
            f"deviation{_degrees(road.scatter_dof)}), reading and gusts included."
        )
    single = [pull.setup for pull in road.pulls if pull.runs == 1]
    if single and not road.scatter_is_assumed:
        found.append(
            f"{listing(map(_name, single))} ran only once: its scatter is taken from the others."
        )
    down = int(results.session.runs["down_exit_speed_m_s"].notna().sum())
    if down:
        found.append(
            f"on {down} runs the bike was rolled back down out of gear; that tells drag and wind "
            "on the same hill minutes later, and the forces above make use of it."
        )
    found += _confounded(results)
    return found


def _degrees(dof: float) -> str:
    # Above this the scatter is as good as known, mostly from what was stated of reading and gusts.
    return f", {dof:.0f} degrees of freedom" if dof < 60 else ""


def _confounded(results) -> list:
    """Setups that share no rider with the reference."""
    riders = {}
    for run in results.runs:
        if run.force_n is not None:
            riders.setdefault(run.setup, set()).add(run.rider)
    base = riders.get(results.reference, set())
    apart = [name for name, own in riders.items() if not own & base]
    if not apart:
        return []
    return [
        f"{listing(map(_name, apart))} had no rider in common with {_name(results.reference)}, so "
        "a difference of riders cannot be told from one of setups; the interval is wider for it."
    ]


def ladder(results) -> list:
    """What limits the advice on injectors."""
    record, found = results.ladder, []
    if record is None:
        return found
    tried = [p for p in record.prospects if p.tried]
    if len(tried) == 1:
        found.append(
            "only one injector was read, so how lambda follows flow is taken on trust; the "
            "intervals are wide for that reason."
        )
    outside = [p.injector for p in record.prospects if p.outside_tried_range]
    if outside:
        found.append(
            f"{listing(outside)} lies outside the flows that were read: there the line is "
            "stretched beyond what was tried."
        )
    if not any(not p.tried for p in record.prospects):
        found.append(
            "no candidate is listed: add injectors that no setup uses to session.toml to see "
            "their odds."
        )
    compensation = results.session.bike.density_compensation
    densities = [run.density_kg_m3 for run in results.runs if run.gauge_low is not None]
    spread = max(densities) / min(densities) - 1 if densities else 0.0
    if compensation == "unknown" and spread > 0.015:
        found.append(
            f"the air density changed by {percent(spread, 1)} over the readings; if the controller "
            "does not compensate for it, lambda moved as much (say so in density_compensation)."
        )
    return found


def limits(results) -> list:
    """Fuels against what the maker of the motorcycle allows."""
    bike, found = results.session.bike, []
    for name, fuel in results.session.fuels.items():
        if bike.highest_ethanol and ethanol_of(fuel).value > bike.highest_ethanol.value + 1e-9:
            found.append(
                f"{name} has {percent(ethanol_of(fuel).value)} ethanol, more than the "
                f"{percent(bike.highest_ethanol.value)} that the maker allows: do not use it."
            )
        if bike.lowest_ron and fuel.ron and fuel.ron < bike.lowest_ron:
            found.append(
                f"{name} has RON {fuel.ron:g}, below the {bike.lowest_ron:g} that the maker asks "
                "for: do not use it."
            )
    ratios = {
        name: engine.compression_ratio
        for name, engine in results.session.engines.items()
        if engine.compression_ratio
    }
    if len(set(ratios.values())) > 1:
        found.append(
            "a higher compression ratio asks for a higher octane number, by some 3 to 5 for each "
            "unit (from memory); the maker's number holds for the engine as it was made."
        )
    return found


def weather(results) -> list:
    """How far the weather moved, and whether the corrections may be used."""
    if results.road is None:
        return ["Without speeds there is nothing to correct."]
    runs = [run for run in results.runs if run.force_n is not None]
    spread = max(r.sae_j1349 for r in runs) / min(r.sae_j1349 for r in runs) - 1
    found = [
        f"Over the runs that count the air changed engine output by {percent(spread, 1)}; the "
        "gains are corrected for it by SAE J1349."
    ]
    outside = sorted({_name(r.setup) for r in runs if not r.within_limits})
    if outside:
        found.append(
            f"For {listing(outside)} a factor lies outside what its standard allows (0.95 to 1.05 "
            "for SAE J1349, 0.93 to 1.07 for ISO 1585): forces of these runs are not comparable "
            "with a bench; gains between runs in the same air still are."
        )
    return found
