"""Ladders from flat keywords: which of them are readings, which are stated, which are asked."""

import dataclasses

from tuninglib.statistics.flow_response import response_per_state
from tuninglib.statistics.gauge_readings import Readings
from tuninglib.statistics.ladder import LadderRows, Parts, fit_ladder, solve
from tuninglib.statistics.ladder_prediction import Candidate, FuelDemand, predict


def taken(record, given: dict):
    """A record from those of the keywords that are its own, which leave the others."""
    own = {field.name for field in dataclasses.fields(record)} & {*given}
    return record(**{name: given.pop(name) for name in own})


def fitted(**given):
    """The ladder of readings and of what is stated."""
    readings, parts = taken(Readings, given), taken(Parts, given)
    return fit_ladder(readings, parts, **given)


def solved(**given):
    """The ladder of prepared columns."""
    rows, parts = taken(LadderRows, given), taken(Parts, given)
    return solve(rows, parts, **given)


def responses(**given):
    """The response in each state."""
    readings, parts = taken(Readings, given), taken(Parts, given)
    return response_per_state(readings, parts, **given)


def predicted(fit, **given):
    """What a candidate gives on a fuel."""
    candidate = taken(Candidate, given)
    return predict(fit, candidate, fuel=taken(FuelDemand, given), **given)
