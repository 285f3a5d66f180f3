"""One thing that cannot be, in one file: one sentence that says where, what and what to write."""

import re

import pytest

MASS = '"124 kg +/- 2 kg"'
GRADE = 'grade = "6.0 +/- 0.3 %"'
FACTOR = 'factor = "0.955 +/- 0.01"'
LAST = "[setups.big_185]"
PIECES = """[[hill.pieces]]
length = "150 m"
grade = "5.2 +/- 0.4 %"

[[hill.pieces]]
length = "250 m"
grade = "6.5 +/- 0.4 %"
"""
STOCK = 'highest_speed = "8500 rpm"\nbreathing = "0.85 +/- 0.08"\n\n[engines.big]'
GEARED = """
[gearing]
primary = 3.35
gear = 1.05
front = 40
rear = 12
circumference = "1.86 m"
[engines.big]"""
IN_SESSION = [
    # A key and its value.
    ('mass = "124', 'masss = "124', r"row \d+, masss: unknown key 'masss'; did you mean 'mass'"),
    (MASS, '"124"', r"mass: '124' has no unit; write for example '124 kg"),
    (MASS, "124", "mass: 124 has no unit"),
    (MASS, '"124 kg +/- 2 km"', "'km' is the wrong kind"),
    (MASS, '"1240 kg"', "'1240 kg' is outside 40 to 500 kg; check"),
    (MASS, '""', r"mass: is still empty \(ready to ride"),
    ('"400 m +/- 2 m"', '"400,5 m"', r"write a point: '400\.5 m'"),
    ("date = 2026-05-16", 'date = "16 May"', "date: '16 May' is not a date; write year-month"),
    ('reference = "stock"', 'reference = "stok"', "not one of the setups; did you mean 'stock'"),
    ('engine = "big"', 'engine = "bigg"', r"\bengine: 'bigg' is not one of the engines"),
    ('units = "metric"', 'units = "kmh"', "units: 'kmh' is not one of 'metric', 'us'"),
    ("[gauge]", "[gauges]", r"unknown table \[gauges\]; did you mean 'gauge'"),
    ('bore = "60.0 mm"', "", r"\[engines\.stock\] needs bore and stroke, or displ"),
    ("scale = 14.7", "scale = true", "scale: True must be a number"),
    ("scale = 14.7", "scale = 1" + "0" * 400, "too many digits"),
    ("scale = 14.7", "scale = 1" + "0" * 4400, "thousands of digits"),
    ('grade = "5.2', 'slope = "5.2', "piece 1: unknown key 'slope'"),
    (FACTOR, 'checks = [["50 km/h", "48 km/h"]]', "at least two pairs of speeds; write pairs"),
    (FACTOR, 'checks = [["50 km/h", "48 km/h"], ["50", "9 m in 2 s"]]', "checks: '50' has no unit"),
    ('title = "Bigger', "title = Bigger", "row 5: is not valid TOML, .*text goes in quotes; write"),
    (FACTOR, 'checks = "50 km/h"', "two pairs of speeds; write pairs of shown and true speed, for"),
    (PIECES, "pieces = 2\n", r"pieces must be tables: write \[\[hill.pieces\]\] above"),
    ("scale = 14.7", "scale = 14.7\nscale = 14.6", "this key is there twice; keep one of the two"),
    ("[speedometer]", "[gauge]\n[speedometer]", "table is already above; write its keys there"),
    ("[gauge]\n", "[gauge]\nlag = {a = 1}\nlag.b = 2\n", "table is complete, in braces or under"),
    ("scale = 14.7", "scale = " + "[" * 100_000, "nests its brackets too deeply to be read"),
    ('"8500 rpm"', '"8500 bpm"', "unknown unit 'bpm'; write rpm for engine speed"),
    (STOCK, GEARED, r"turn \d+ rpm at the .*, outside the \d+ to \d+ rpm that engines can"),
    ("resolution = 0.1", "resolution = 0", "is outside 0.001 to 1"),
    ('headwind = "0', 'headwind = "5 m/h"#', "several meanings; write mph or km/h"),
    # A name that no cell can hold.
    (LAST, '[setups." stock"]', "begins or ends with a space"),
    (LAST, '[setups."st\\tock"]', "has a line break or the like"),
    (LAST, '[setups."st\\u0007ock"]', "has a line break or the like"),
    (LAST, '[setups."  "]', "is not a name; write at least one letter"),
    (LAST, '[setups."#1"]', "begins with #, as comments"),
    (LAST, f"[setups.{'s' * 101}]", "has 101 letters; at most 100 are allowed"),
    # Two that contradict each other, or say the same thing.
    ('length = "150 m"', 'length = "300 m"', "pieces add up to 550 m, but length is 400 m"),
    ("lowest = 0.83", "lowest = 0.95", r"lowest \(0\.95\) must be below highest \(0\.9\)"),
    ("highest = 0.90", "highest = 0.96", r"\(0\.96\) is leaner than 0\.95: .* write 0\.9 or less"),
    (GRADE, 'grade = "9.0 +/- 0.3 %"', r"pieces climb 6\.01 % on average, but grade is 9 %"),
    ('octane = "98 RON"', 'octane = "98 RON"\nron = 97', "fuels.e5. has ron and octane, w"),
    ('lowest_octane = "91 RON"', 'lowest_octane = "91 RON"\nlowest_ron = 91',
     "bike. has lowest_ron and lowest_octane, which say the same thing; keep"),
    ("[speedometer]", '[speedometer]\nchecks = [["60 km/h", "57 km/h"], ["50 km/h", "47 km/h"]]',
     "speedometer. has factor and checks, which say the same"),
    ('altitude = "210 m"', 'altitude = "1500 m"', "1500 m above the sea, where 846 hPa is"),
    ('altitude = "210 m"', 'altitude = "800 m"', "989 hPa does not fit 800 m"),
    ("compression_ratio", 'clearance_volume = "18 cc"\ncompression_ratio',
     "has compression_ratio and clearance_volume, which say"),
    (GRADE, "", r"\[hill\] needs either grade or rise; write for"),
    (GRADE, f'rise = "30 m"\n{GRADE}', "grade of 6 %, but its rise over its length makes 7.52 %"),
    (GRADE, 'grade = ""\nrise = ""', "grade: is still empty"),
    (GRADE, 'rise = "240 m"', "steeper than any street; check both"),
]  # fmt: skip
IN_RUNS = [
    # The header.
    ("exit_speed [km/h]", "exit_speed", r"row 1, exit_speed: has no unit; write .* \[km/h\]"),
    ("exit_speed [km/h]", "exit_speed [kg]", r"\[kg\] is not a unit of exit_speed"),
    ("exit_speed [km/h]", "exit_sped [km/h]", r"'exit_sped \[km/h\]'; did you mean 'exit_speed'"),
    ("setup,rider", "set,rider", "row 1, setup: the column setup is missing"),
    ("setup,rider", "setup,rider [kg]", r"has the unit \[kg\], but rider has none; write rider"),
    ("gauge_low,gauge_high", "gauge_low,gauge_low", "row 1, gauge_low: the column gauge_low"),
    ("gauge_low,gauge_high,", "gauge_low,", "row 1: names 11 .* one cell more; add the name"),
    # A cell.
    ("3,stock,tove", "3,stick,tove", "row 4, setup: 'stick' is not one of the setups .* 'stock'"),
    ("3,stock,tove", "3,stock,tovi", "row 4, rider: 'tovi' is not one of the riders .* 'tove'"),
    ("3,stock,tove", "2,stock,tove", "row 4, run: run 2 is in row 3, too"),
    ("3,stock,tove", ",stock,tove", "row 4, run: is empty"),
    ("48,62", "480,62", r"row 2, entry_speed: 480 km/h is outside 3\.6 to 252 km/h"),
    ("48,62", "48,fast", "row 2, exit_speed: 'fast' is not a number"),
    ("48,62", '48,"62,5"', r"row 2, exit_speed: '62,5' has a comma; write '62\.5'"),
    ("12.6,12.8", "12.6,about 12.8", "'about 12.8' does not say how far off it may be; write 12.8"),
    ("48,62", "48," + "6" * 131_073, "has a cell of more than 131072 characters; is it a table"),
    ("48,62", "48,62,5", "row 2: has 13 cells where the header has 12; a decimal comma"),
    ("none,170", "loud,170", "row 2, knock: 'loud' is not one of 'none', 'light', 'heavy'"),
    # A row.
    ("12.6,12.8", "12.9,12.8", r"row 2, gauge_low: 12\.9 is above gauge_high 12\.8; swap"),
    ("12.6,12.8", "1.26,12.8", r"row 2, gauge_low: 1\.26 is beyond what the gauge can show"),
    ("12.6,12.8", "12.6,21", r"row 2, gauge_high: 21 is beyond what the gauge can show \(10"),
    ("12.6,12.8", ",12.8", "gauge_low: is empty while its partner is not; write the same number"),
    ("48,62", "48,", "row 2, exit_speed: is empty while its partner is not"),
    ("17,none,184,full", "17,none,184,cruise", "row 5, state: speeds .*; this row says cruise"),
    # What nobody rode.
    ("tove,48,62", "tove,240,30", "exit_speed: 240 to 30 km/h up this hill needs no pull at all"),
    ("tove,48,62", "tove,48,150", "needs 33 kW at the wheel, more than the 23 kW that .* 180 cc"),
    ("tove,48,62", "tove,30,39", r"takes 0\.\d\d times .* as if mph were typed under the other"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [("session.toml", *one) for one in IN_SESSION] + [("runs.csv", *one) for one in IN_RUNS],
)
def test_what_cannot_be_is_one_sentence_with_its_place(edit, problems, file, old, new, said):
    found = problems(edit(file, old, new))
    assert any(re.search(said, line) for line in found), found
    assert any(line.startswith(file) for line in found)
