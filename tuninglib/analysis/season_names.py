"""Names of setups, engines, injectors and fuels over many outings: one name, one thing."""

from dataclasses import dataclass

# So far apart, relative, two statements of one thing are still of one thing.
_SAME = 0.005


@dataclass(frozen=True, kw_only=True)
class Remark:
    """What would surprise: a code, and what it is about."""

    code: str
    about: tuple = ()


@dataclass(frozen=True)
class Names:
    """What each outing's names are called in the season.

    Attributes
    ----------
    setups, engines, injectors, fuels : dict
        Number of the outing and name to the season's name.
    remarks : tuple of Remark
        Of names that stand for several things.
    """

    setups: dict
    engines: dict
    injectors: dict
    fuels: dict
    remarks: tuple

    def setup(self, outing: int, name: str) -> str:
        """The season's name of an outing's setup."""
        return self.setups[outing, name]


def names_of(outings) -> Names:
    """The season's names.

    Parameters
    ----------
    outings : sequence of Outing
        By date.

    Notes
    -----
    The same name with the same content is the same thing. The same name with other content (another
    displacement, another flow) is another one, and called after its first day besides. What is only
    described, the parts of a setup, is taken to be the same under the same name, and said.
    """

    def engine(record, name):
        one = record.engines[name]
        return (one.displacement_m3, one.compression_ratio or 0.0)

    def injector(record, name):
        return (record.injectors[name].flow_m3_s,)

    def fuel(record, name):
        one = record.fuels[name]
        return (one.stoichiometric_ratio, one.density_kg_m3)

    def setup(record, name):
        one = next(one for one in record.setups if one.name == name)
        return (*engine(record, one.engine), *injector(record, one.injector))

    found, remarks = {}, []
    for kind, content in (
        ("setups", setup),
        ("engines", engine),
        ("injectors", injector),
        ("fuels", fuel),
    ):
        names = [
            (at, name, content(one.record, name))
            for at, one in enumerate(outings)
            for name in _listed(one.record, kind)
        ]
        found[kind], several = _called(names, outings)
        remarks += [Remark(code=f"several {kind}", about=(name,)) for name in several]
    remarks += [
        Remark(code="parts", about=(name, *texts)) for name, texts in _described(outings, found)
    ]
    return Names(**found, remarks=tuple(remarks))


def _listed(record, kind):
    part = getattr(record, kind)
    return [one.name for one in part] if kind == "setups" else list(part)


def _alike(one, other) -> bool:
    return all(abs(a - b) <= _SAME * max(abs(a), abs(b)) for a, b in zip(one, other, strict=True))


def _called(names, outings) -> tuple:
    """Number of the outing and name to the season's name, and names that stand for several."""
    things: dict = {}
    for at, name, content in names:
        kinds = things.setdefault(name, [])
        same = next((one for one in kinds if _alike(one[0], content)), None)
        if same is None:
            kinds.append((content, [at]))
        else:
            same[1].append(at)
    called, several = {}, []
    for name, kinds in things.items():
        if len(kinds) > 1:
            several.append(name)
        for number, (_, own) in enumerate(kinds):
            day = outings[own[0]].date.isoformat()
            taken = [outings[other[0]].date.isoformat() for _, other in kinds[:number]]
            more = f", {taken.count(day) + 1}" if day in taken else ""
            label = name if len(kinds) == 1 else f"{name} ({day}{more})"
            called.update(dict.fromkeys(((at, name) for at in own), label))
    return called, several


def _described(outings, found):
    """Setups whose parts are described in several ways."""
    texts: dict = {}
    for at, one in enumerate(outings):
        for setup in one.record.setups:
            if setup.runs:
                texts.setdefault(found["setups"][at, setup.name], {})[setup.parts] = None
    return [(name, tuple(own)) for name, own in texts.items() if len(own) > 1]
