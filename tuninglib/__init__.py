"""A tuning workbook for small fuel-injected motorcycles.

Each of these names is loaded when it is first used; ``import tuninglib`` alone loads nothing.

A session on disk, what follows from it, and the written report:

``load_session``     a folder with session.toml and runs.csv to a checked ``Session`` in SI
``analyse``          a ``Session`` to its ``Results``
``make_report``      a folder to report.html, results.json and the executed workbook
``Session``          what a rider wrote down: bike, riders, hill, gauge, fuels, setups, runs
``Results``          what follows from it: mixtures, gains, injectors, each with its interval
``SessionError``     everything in a session that needs fixing, a sentence for each

Records that the sums take:

``Blend``            petrol with ethanol in it
``Hill``             length and grade of a hill, in one piece or several
``Ride``             a hill with bike, rider, road load and air

Text with units, and back:

``convert``          values in one unit to another
``parse_quantity``   text such as "6.5 +/- 0.3 %" to a value and its half-width in SI

The sums themselves, as functions of floats and arrays in SI; a module for each subject:

``air``              moisture, density and pressure of air; corrections of output
``stoichiometry``    air that a fuel needs, by atom balance; lambda by gauge and by exhaust gas
``fuels``            density, oxygen, heating value and octane of petrol with ethanol
``engine``           displacement, compression, piston speed, air and fuel of one cycle
``injector``         flow by pressure and fuel, a first guess, open time
``motion``           force from speeds up or down a hill, and speeds from force, also where power
                     is constant or the force follows speed
``gearing``          engine speed and road speed, ratio by ratio
``road_load``        drag and rolling, by a table or a coast-down; top speed
"""

import importlib

__version__ = "0.2.0"

# Each name and the module that has it; those of the physics package are its modules.
_PLACES = {
    "load_session": "session.load",
    "analyse": "analysis.analyse",
    "make_report": "report.make",
    "Session": "session.records",
    "Results": "analysis.analyse",
    "SessionError": "text_files",
    "Blend": "physics.fuels",
    "Hill": "physics.motion",
    "Ride": "physics.motion",
    "convert": "units",
    "parse_quantity": "units",
    "air": "physics",
    "stoichiometry": "physics",
    "engine": "physics",
    "fuels": "physics",
    "gearing": "physics",
    "injector": "physics",
    "motion": "physics",
    "road_load": "physics",
}

__all__ = list(_PLACES)


def __getattr__(name: str):
    if name not in _PLACES:
        raise AttributeError(f"module 'tuninglib' has no attribute {name!r}")
    place = f"{__name__}.{_PLACES[name]}"
    if place == f"{__name__}.physics":
        return importlib.import_module(f"{place}.{name}")
    return getattr(importlib.import_module(place), name)


def __dir__() -> list:
    return sorted({*globals(), *__all__})
