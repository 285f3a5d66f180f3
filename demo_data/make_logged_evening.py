"""Make the logs of an invented evening: nobody wrote a speed or a reading down.

A phone wrote a track once a second; a box on the gauge wrote a table five times a second, with its
own clock, semicolons and decimal commas. The world is that of log_maker.py, the truth is below.
"""

import csv
import datetime
import json
import math
from pathlib import Path

import numpy as np
from log_maker import Devices, World, written

SEED = 20261126
HERE = Path(__file__).parent / "logged_evening"
ORDER = ["i150", "i165", "i165", "i150", "i150", "i165", "i165", "i150"]
SETUP = {"i150": "small_nozzle", "i165": "large_nozzle"}
PULL_N = {"i150": 318.0, "i165": 318.0 * 1.06}
LAMBDA = {"i150": 0.958, "i165": 0.874}
RUN_SD = 0.012
SCALE = 14.7
PHONE_STARTED = datetime.datetime(2026, 9, 11, 17, 32, 8, tzinfo=datetime.UTC)
# The box was switched on so much after the phone.
BOX_LATER_S = 41.3
WORLD = World(wind_m_s=0.5)


def main():
    """Write phone.gpx, box.csv, runs.csv and truth.json."""
    rng = np.random.default_rng(SEED)
    scales = [PULL_N[name] * math.exp(rng.normal(0, RUN_SD)) for name in ORDER]
    forces = [
        lambda speed, scale=scale: scale * (1 - ((speed - 14.0) / 19.0) ** 2) for scale in scales
    ]
    lambdas = [LAMBDA[name] * math.exp(rng.normal(0, 0.006)) for name in ORDER]
    found = written(rng, forces, lambdas, world=WORLD, devices=Devices(rate_hz=5.0))
    HERE.mkdir(exist_ok=True)
    phone(found)
    box(found, rng)
    rows = [
        {
            "run": number,
            "setup": SETUP[name],
            "rider": "juno",
            "air_temperature [degC]": 17,
            "knock": "none",
        }
        for number, name in enumerate(ORDER, start=1)
    ]
    with (HERE / "runs.csv").open("w", newline="", encoding="utf-8") as stream:
        writer = csv.DictWriter(stream, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    # Both pulls have one shape, so that their ratio is the gain wherever it is measured.
    truth = {
        "seed": SEED,
        "gain": {"large_nozzle": PULL_N["i165"] / PULL_N["i150"] - 1},
        "lambda": {SETUP[name]: value for name, value in LAMBDA.items()},
        "entry_m_s": [round(float(one), 4) for one in found.entry_m_s],
        "exit_m_s": [round(float(one), 4) for one in found.exit_m_s],
        "start_s": [round(float(one), 3) for one in found.start_s],
        "marker_s": [round(float(one), 3) for one in found.marker_s],
        "box_later_s": BOX_LATER_S,
        "gauge_delay_s": Devices().gauge_delay_s,
        "start": list(found.start_deg),
        "marker": list(found.marker_deg),
    }
    (HERE / "truth.json").write_text(json.dumps(truth, indent=2) + "\n", encoding="utf-8")


def phone(found):
    """A point a second, with speeds among the extensions."""
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="invented" xmlns="http://www.topografix.com/GPX/1/1" '
        'xmlns:own="urn:example:invented-phone">',
        "<metadata><desc>Invented: nobody rode here.</desc></metadata>",
        "<trk><trkseg>",
    ]
    for row in range(0, found.time_s.size, 5):
        when = PHONE_STARTED + datetime.timedelta(seconds=float(found.time_s[row]))
        lines.append(
            f'<trkpt lat="{found.latitude_deg[row]:.6f}" lon="{found.longitude_deg[row]:.6f}">'
            f"<ele>{found.elevation_m[row]:.1f}</ele><time>{when:%Y-%m-%dT%H:%M:%SZ}</time>"
            f"<extensions><own:speed>{found.speed_m_s[row]:.2f}</own:speed></extensions></trkpt>"
        )
    lines += ["</trkseg></trk>", "</gpx>", ""]
    (HERE / "phone.gpx").write_text("\n".join(lines), encoding="utf-8")


def box(found, rng):
    """Five rows a second, thousandths of a second since it was switched on."""
    rows = ["Zeit;Sonde;Gas;Drehzahl", "ms;;%;rpm"]
    for row in np.flatnonzero(found.time_s >= BOX_LATER_S):
        cells = (
            f"{1000 * (found.time_s[row] - BOX_LATER_S):.0f}",
            f"{SCALE * found.lambda_[row]:.1f}",
            f"{100 * found.throttle_ratio[row]:.0f}",
            f"{found.engine_speed_rpm[row]:.0f}",
        )
        rows.append(";".join(cells).replace(".", ","))
    (HERE / "box.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
