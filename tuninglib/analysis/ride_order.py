"""Setups from rich to lean, as far as that is known before they are ridden.

The richest is ridden first, and a leaner one only after the richer one was quiet: so no setup is
ridden at full throttle of which a richer one had knocked.
"""

from dataclasses import dataclass, field

from tuninglib.analysis.injector import flow_on_bike
from tuninglib.session.defaults import blend_of


@dataclass(frozen=True, kw_only=True)
class Richness:
    """How rich setups run against each other on the same engine.

    Attributes
    ----------
    engine : dict of str to str
        Setup to its engine.
    air_kg_s : dict of str to float
        Setup to the air that its injector's flow of its fuel burns at lambda 1, while open: flow
        times density times stoichiometric ratio. The more, the richer. [kg/s]
    lambda_ : dict of str to float
        Setup to what the gauge read of it.
    reference : str or None
        Ridden first, its mixture being known and passing every gate; None: nothing is put first.
    home : str or None
        Engine of the reference, whether or not it was ridden.
    """

    engine: dict = field(default_factory=dict)
    air_kg_s: dict = field(default_factory=dict)
    lambda_: dict = field(default_factory=dict)
    reference: str | None = None
    home: str | None = None


@dataclass(frozen=True, kw_only=True)
class FirstPass:
    """Order in which setups are ridden for the first time.

    Attributes
    ----------
    setups : tuple of str
    source : str
        ``"gauge"`` (as read), ``"flow"`` (injector flow and fuel) or ``"given"`` (as named,
        because it is not known which is richer).
    unknown : tuple of str
        Setups whose engine, injector flow or fuel is not known.
    reference_first : bool
        Whether the reference goes first because its mixture is known.
    """

    setups: tuple
    source: str
    unknown: tuple = ()
    reference_first: bool = False


def richness_of(known, results=None) -> Richness:
    """Richness of a session's setups.

    Parameters
    ----------
    known : tuninglib.session.load.Session, or what stands of one
        See :func:`tuninglib.session.read_toml.what_stands`.
    results : Results, optional
        Of the same session, where something was ridden.
    """
    setups = {name: setup for name, setup in known.setups.items() if setup is not None}
    home = setups.get(known.about.reference) if known.about is not None else None
    read, reference = {}, None
    for one in results.combinations if results else ():
        if one.setup is not None and one.source == "read":
            read[one.setup] = one.lambda_.value
            if one.setup == known.about.reference and one.gate is None:
                reference = one.setup
    return Richness(
        engine={name: setup.engine for name, setup in setups.items()},
        air_kg_s={
            name: _air_kg_s(known, setup)
            for name, setup in setups.items()
            if known.bike and known.injectors.get(setup.injector) and known.fuels.get(setup.fuel)
        },
        lambda_=read,
        reference=reference,
        home=home.engine if home is not None else None,
    )


def _air_kg_s(known, setup) -> float:
    blend = blend_of(known.fuels[setup.fuel])
    flow = flow_on_bike(known, setup.injector)
    return float(flow * blend.density_kg_m3 * blend.stoichiometric_ratio)


def rich_to_lean(setups, richness: Richness) -> FirstPass:
    """Setups in the order in which each is to be ridden for the first time.

    Parameters
    ----------
    setups : sequence of str
    richness : Richness

    Returns
    -------
    FirstPass

    Notes
    -----
    The reference goes first if its mixture is known. Then engine by engine, that of the reference
    first, so that engines are changed as seldom as setups are; on each from rich to lean. What the
    gauge read goes before what injectors are stated with, if every setup was read. Setups that are
    alike keep the order in which they were named, and so do all if one of them is not known.

    Examples
    --------
    >>> known = Richness(engine={"a": "big", "b": "big"}, air_kg_s={"a": 0.02, "b": 0.03})
    >>> rich_to_lean(["a", "b"], known).setups
    ('b', 'a')
    """
    setups = tuple(setups)
    unknown = tuple(name for name in setups if name not in richness.air_kg_s)
    if unknown:
        return FirstPass(setups=setups, source="given", unknown=unknown)
    read = all(name in richness.lambda_ for name in setups)
    engines = [richness.home, *(richness.engine[name] for name in setups)]

    def place(name):
        leanness = richness.lambda_[name] if read else -richness.air_kg_s[name]
        return name != richness.reference, engines.index(richness.engine[name]), leanness

    return FirstPass(
        setups=tuple(sorted(setups, key=place)),
        source="gauge" if read else "flow",
        reference_first=richness.reference in setups,
    )
