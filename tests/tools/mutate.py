"""Which single changes of a line no test notices: mutants of a module, one at a time.

Run it from the top of the project, ``python -m tests.tools.mutate statistics/planning.py``: it
changes one operator, comparison, number, sign or boolean at a time in a copy of the project, runs
the tests that stand for the module (:func:`tests_of`, and those given), and prints what survived.
``--most 60`` takes an even sample of so many; ``--without hold_the_truth`` leaves out tests that
simulate for long.
"""

import argparse
import ast
import importlib
import os
import re
import shutil
import signal
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
_ANSWERS = "tests/analysis/test_answers.py"
_OPERATORS = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.MatMult: ast.Add, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.And: ast.Or, ast.Or: ast.And, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
_NAMES = {
    "expm1": "exp", "log1p": "log", "min": "max", "max": "min", "any": "all", "all": "any",
    "minimum": "maximum", "maximum": "minimum", "sqrt": "square", "hypot": "maximum",
}  # fmt: skip

# Changes that change no answer, and why; they are not counted. A module's lines, each with what is
# changed there: its kind and text, as :func:`places` and ``ast.unparse`` say it.
_ARRIVED = "when a search that has arrived ends, or steps beyond those that are needed"
_BEGINS = "where a search begins that ends in the same place"
_TIMES = "a density times any constant"
_COPIES = "how many numbers one copy has"
_ROUNDING = "what rounding cannot tell apart"
_FINE = "how fine a curve or an integral is taken"
_SLOPE = "a step of a slope"
WITHOUT_EFFECT = {
    "physics/motion.py": {
        "_MOST_STEPS = 60": (_ARRIVED, "constant 60"),
        "for _ in range(40):": (_ARRIVED, "constant 40"),
        "k_wind = k * (1 + w / mean)": (
            _BEGINS, "op k * (1 + w / mean)", "op 1 + w / mean", "op w / mean", "constant 1",
        ),
    },
    "lab/explore.py": {
        'values = {key: round(kit.taken(controls[key]), 4) for key in ("lowest", "highest")}': (
            _ROUNDING, "constant 4",
        ),
        "if limit and ethanol > limit.value + 1e-9:": (_ROUNDING, "constant 1e-09"),
    },
    "lab/first_guess.py": {
        "breathing_ratio=1.0,": ("a slider takes its place", "constant 1.0"),
        "middle: float = 0.87": (
            "nothing but a gauge's scale uses it, and both come of a session", "constant 0.87",
        ),
        "if limit is not None and content > limit + 1e-9:": (_ROUNDING, "constant 1e-09"),
    },
    "lab/kit.py": {
        "low, high = math.floor(low + 1e-9) * step, math.ceil(high - 1e-9) * step": (
            _ROUNDING, "constant 1e-09",
        ),
    },
    "report/club.py": {
        '("Flow", "flow"): lambda row: row[0].flow_m3_s,': (
            "an injector has one flow, by itself and on a fuel", "constant 0",
        ),
    },
    "report/logs.py": {
        "_MOST_STEPS = 700": (_FINE, "constant 700"),
        "unfit = [one.run for one in left if not np.isfinite(one.exit_sd_m_s + one.entry_sd_m_s)"
        "]": (
            "what is not known stays so", "op one.exit_sd_m_s + one.entry_sd_m_s",
        ),
    },
    "report/cautions.py": {
        'by_unit.setdefault(convert(1.0, unit, "m/s"), (unit, []))[1].append(key)': (
            "any number shows whether two units are one", "constant 1.0",
        ),
    },
    "report/make.py": {
        "with ThreadPoolExecutor(1) as aside:": ("a thread more for one task", "constant 1"),
    },
    "report/mixture.py": {
        "ends(labelled, key=lambda name: lambda_shift(labelled[name], Blend(0.0)))": (
            "which fuel all are held against changes no order", "constant 0.0",
        ),
    },
    "report/page_parts.py": {
        "first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)": (
            _ROUNDING, "constant 1e-09",
        ),
        "places = max(0, -math.floor(math.log10(step) + 1e-9))": (_ROUNDING, "constant 1e-09"),
        "for step in (m * 10.0**k for k in range(-6, 9) for m in (1, 2, 5)):": (
            "steps beyond those of any figure", "constant 6", "constant 9",
        ),
    },
    "report/season.py": {
        "below = low is not None and value < low * (1 - 1e-9)": (_ROUNDING, "constant 1e-09"),
        "if below or (high is not None and value > high * (1 + 1e-9)):": (
            _ROUNDING, "constant 1e-09",
        ),
    },
    "report/verdict.py": {
        "if (session.engines[name].compression or 0) > HIGH_COMPRESSION": (
            "what is not known is not high", "constant 0",
        ),
    },
    "session/cross_checks.py": {
        "if abs(scale - 1) < 0.01:": (
            "of one unit both are alike, which ends it, too", "constant 1", "constant 0.01",
        ),
    },
    "session/trace.py": {
        r'dated = texts.where(texts.str.match(r"\s*\d{4}-?\d\d-?\d\d[T ]\d\d", na=False))': (
            "what is not there is no time either way", "constant False",
        ),
    },
    "statistics/club.py": {
        "log.append(np.logaddexp.reduce(np.log(weights + 1e-300) + each))": (
            "what weighs nothing", "constant 1e-300",
        ),
    },
    "statistics/coast_down.py": {
        "return least_squares(off, begin, x_scale=steps, xtol=1e-10, ftol=1e-10, gtol=1e-10).x": (
            _ARRIVED, "constant 1e-10",
        ),
    },
    "statistics/engine_sound.py": {
        "far = np.abs(time - middle - np.sign(begin) * _PASSES_S) < 0.5": (
            "the louder of both sides counts, whichever it is",
            "op time - middle - np.sign(begin) * _PASSES_S",
        ),
        "return power, 10 * np.log10(power[:, int(_LOWEST_HZ) :].sum(1) + 1e-12)": (
            "what is silent has no level", "constant 1e-12",
        ),
    },
    "statistics/end_speeds.py": {
        "kicks = np.zeros((1, 0))": ("one story that is told twice is one", "constant 1"),
        "for number, wander in enumerate(_WANDERS if moves else (1.0,)):": (
            "without a move nothing wanders", "constant 1.0",
        ),
    },
    "statistics/flow_response.py": {
        "_SIZES = np.array([0, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 1.9, 2.6, "
        "4.0])": (
            "between sizes the evidence is nearly a line", "constant 0.1", "constant 0.2",
            "constant 0.35", "constant 0.5", "constant 0.65", "constant 0.8", "constant 0.9",
            "constant 1.0", "constant 1.1", "constant 1.25", "constant 1.5", "constant 1.9",
        ),
        "readings.log_lambda[at], strength[at] - strength[at].mean(), noise_sd[at],": (
            "what is the same for all goes into the level, which is free",
            "op strength[at] - strength[at].mean()",
        ),
        "return np.exp(log - log.max()).sum(1)": (
            _TIMES, "op log - log.max()", "attribute log.max",
        ),
    },
    "statistics/ladder_prediction.py": {
        "outside = (flow < min(tried) * (1 - 1e-9)) | (flow > max(tried) * (1 + 1e-9))": (
            _ROUNDING, "constant 1e-09", "op 1 - 1e-09", "op 1 + 1e-09",
        ),
    },
    "statistics/mixed_model.py": {
        "_AT_ONCE = 8_000_000": (_COPIES, "constant 8000000"),
        "some = max(1, _AT_ONCE // each)": (_COPIES, "constant 1", "name max"),
        "for _ in range(10):": (_ARRIVED, "constant 10"),
        "for _ in range(3):": (_ARRIVED, "constant 3"),
        "kinds = rows.uneven[1] if rows.uneven else Kinds((1.0,), (1.0,))": (
            "of one kind the chance is a constant, and its size is used by none", "constant 1.0",
        ),
    },
    "statistics/normal_mixture.py": {"for _ in range(60):": (_ARRIVED, "constant 60")},
    "statistics/planning.py": {
        "_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(200)": (_FINE, "constant 200"),
    },
    "statistics/repeats.py": {
        "_MOST_STEPS = 60": (_ARRIVED, "constant 60"),
        "shown = max(float(values[own].var(ddof=1)), 1e-300)": (
            "what does not scatter at all", "constant 1e-300",
        ),
    },
    "statistics/road_runs.py": {
        "step = 1e-5 * (1.0 if name in _EITHER_SIGN else np.where(base, base, 1.0))": (
            _SLOPE, "constant 1e-05", "constant 1.0", "compare name in _EITHER_SIGN",
            "op 1e-05 * (1.0 if name in _EITHER_SIGN else np.where(base, base, 1.0))",
        ),
    },
    "statistics/season.py": {
        "_MATTERS = 1e-6": ("what weighs nothing", "constant 1e-06"),
        "_BETWEEN = 1001": (_FINE, "constant 1001"),
        "density = np.exp(curve(between) - curve(points).max())": (
            _TIMES, "attribute curve(points).max", "op curve(between) - curve(points).max()",
        ),
    },
    "statistics/track_runs.py": {
        "_MOST_AROUND = 500": ("more rows than any receiver has", "constant 500"),
        "near = np.flatnonzero(np.hypot(*place) < _REACH_M + 200.0)": (
            "what is far passes nothing, and is only looked at in vain", "constant 200.0",
        ),
    },
    "statistics/warm_up.py": {
        "for _ in range(80):": (_ARRIVED, "constant 80"),
        "low, high = (means - 60 * sds).min(), (means + 60 * sds).max()": (
            _BEGINS, "constant 60",
        ),
        "weight = np.exp(np.array(log) - max(log))": (
            _TIMES, "name max", "op np.array(log) - max(log)",
        ),
    },
    "analysis/club.py": {
        "for z in np.linspace(-3.5, 3.5, 71):": (_FINE, "constant 71"),
        "miss = centre + z * spread - means[:, read]": (
            "as far below the middle as above it", "op centre + z * spread",
        ),
        "log = np.log(pooled.weights + 1e-300) - 0.5 * (np.log(variance) + miss**2 / variance)": (
            _ROUNDING, "op pooled.weights + 1e-300", "constant 1e-300",
        ),
        "weights = [1 / (np.square(own).sum() + _USUAL_SD**2) for own in doubts]": (
            "weights times any constant", "constant 1",
        ),
    },
    "analysis/what_if.py": {
        "_LEAST = 1e-10": ("what is left of nothing", "constant 1e-10"),
        "scale = np.where(size > 0, size, 1.0)": (
            "what does not move has any scale", "constant 1.0",
        ),
    },
}  # fmt: skip


def has_effect(module: str, line: str, change: str) -> bool:
    """Whether a change of a line of a module can change an answer."""
    return change not in WITHOUT_EFFECT.get(module, {}).get(line.strip(), ("",))[1:]


def places(tree):
    """Every node that can be changed, with how."""
    quoted = {
        id(node.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
    }
    # Of what a call or a dataclass checks of itself, nothing changes in a result.
    quoted |= {
        id(word.value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        for word in node.keywords
        if word.arg in ("strict", "frozen", "kw_only", "compare", "repr")
    }
    # A type that is written down wrongly fails when it is loaded, which tells nothing of a test.
    quoted |= {
        id(node)
        for owner in ast.walk(tree)
        for field in ("annotation", "returns")
        for node in ast.walk(getattr(owner, field, None) or ast.Pass())
    }
    for node in ast.walk(tree):
        if id(node) in quoted:
            continue
        if isinstance(node, (ast.BinOp, ast.BoolOp, ast.AugAssign)):
            kind = "op" if type(node.op) in _OPERATORS else None
        elif isinstance(node, ast.Compare):
            kind = "compare" if type(node.ops[0]) in _OPERATORS else None
        elif isinstance(node, ast.UnaryOp):
            kind = "sign" if isinstance(node.op, (ast.USub, ast.Not)) else None
        elif isinstance(node, ast.Attribute):
            kind = "attribute" if node.attr in _NAMES else None
        elif isinstance(node, ast.Name):
            kind = "name" if node.id in _NAMES else None
        else:
            is_number = isinstance(node, ast.Constant) and type(node.value) in (bool, int, float)
            kind = "constant" if is_number else None
        if kind:
            yield node, kind


def changes(tree, source: str):
    """Every node that can be changed, with how, its line and its change as it is named above."""
    lines = source.splitlines()
    for node, kind in places(tree):
        yield node, kind, lines[node.lineno - 1], f"{kind} {ast.unparse(node)}"


def counted(module: str, tree, source: str) -> list:
    """Nodes of a module whose change may change an answer, with how."""
    return [
        (node, kind)
        for node, kind, line, change in changes(tree, source)
        if has_effect(module, line, change)
    ]


def mutated(module: str, source: str, number: int):
    """The source with its change of that number, and what it is; None beyond the last."""
    tree = ast.parse(source)
    found = counted(module, tree, source)
    if number >= len(found):
        return None
    node, kind = found[number]
    before = ast.unparse(node)
    if kind == "op":
        node.op = _OPERATORS[type(node.op)]()
    elif kind == "compare":
        node.ops[0] = _OPERATORS[type(node.ops[0])]()
    elif kind == "sign":
        node.op = ast.UAdd() if isinstance(node.op, ast.USub) else ast.Not()
        if isinstance(node.op, ast.Not):
            node.operand = ast.UnaryOp(ast.Not(), node.operand)
    elif kind == "attribute":
        node.attr = _NAMES[node.attr]
    elif kind == "name":
        node.id = _NAMES[node.id]
    elif isinstance(node.value, bool):
        node.value = not node.value
    else:
        node.value = node.value * 2 if node.value else 1
    after = ast.unparse(node)
    line = source.splitlines()[node.lineno - 1].strip()
    return ast.unparse(
        ast.fix_missing_locations(tree)
    ), f"line {node.lineno}: {before} -> {after}  in  {line}"


def tests_of(module: str) -> list:
    """Tests that stand for a module: its examples, those of its name, and all that import it.

    By themselves, or by what tests share, as the rules of advice are.

    Where there are none, those of its name in another row, then those that stand for modules of
    its row that import it; where numbers come of it, what invented outings answer, too.
    """
    row, name = module.removesuffix(".py").split("/")
    found = _directly(module) or [
        str(test.relative_to(ROOT)) for test in sorted((ROOT / "tests").glob(f"*/test_{name}.py"))
    ]
    if not found:
        path = ROOT / "tuninglib" / module
        for other in sorted(path.parent.glob("*.py")):
            if _imports(path).search(other.read_text(encoding="utf-8")):
                found += _directly(f"{row}/{other.name}")
    if row in ("analysis", "statistics", "physics"):
        found = [one for one in found if one != _ANSWERS] + [_ANSWERS]
    return [f"tuninglib/{module}", *dict.fromkeys(found)]


def _directly(module: str) -> list:
    row, path = module.split("/")[0], ROOT / "tuninglib" / module
    found = []
    for test in sorted((ROOT / "tests").glob("[a-z]*/test_*.py")):
        text = test.read_text(encoding="utf-8")
        shared = [ROOT / "tests" / f"{name}.py" for name in _SHARED.findall(text)]
        texts = [text, *(one.read_text(encoding="utf-8") for one in shared if one.is_file())]
        named = test.parent.name == row and path.stem.strip("_") in test.name
        if named or any(map(_imports(path).search, texts)):
            found.append(str(test.relative_to(ROOT)))
    return found


# What tests share; not the outings, which are made by all tests alike.
_SHARED = re.compile(r"from tests\.(?!outing\b|conftest\b)(\w+) import")


def _imports(path: Path) -> re.Pattern:
    """What a line that imports a module looks like."""
    row, name = path.parent.name, path.stem
    names = rf"(?:\([^)]*|[^#\n]*)\b{name}\b"
    return re.compile(rf"tuninglib\.{row}\.{name}\b|from tuninglib\.{row} import {names}")


def preload() -> None:
    """Load once what every trial would load; not the project, which differs in each."""
    for name in ("pandas", "scipy.optimize", "scipy.integrate", "scipy.stats", "pint", "tomlkit",
                 "matplotlib.pyplot"):  # fmt: skip
        importlib.import_module(name)


def survives(copy: Path, module: str, source: str, tests, seconds: float = 600.0) -> bool:
    """Whether all tests pass with this source; they run in a child of this process."""
    (copy / "tuninglib" / module).write_text(source, encoding="utf-8")
    child = os.fork()
    if not child:
        _trial(copy, tests)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            return os.waitstatus_to_exitcode(status) == 0
        time.sleep(0.02)
    # A change that makes the program run for ever is noticed, too.
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return False


def _trial(copy: Path, tests) -> None:
    code = 1
    try:
        os.setpgid(0, 0)
        os.chdir(copy)
        os.environ["PYTHONPATH"] = sys.path[0] = str(copy)
        for stream in (1, 2):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
        code = pytest.main(["-q", "-x", "-p", "no:cacheprovider", *tests])
    finally:
        os._exit(int(code))


def _copy(folder: Path) -> Path:
    leave = shutil.ignore_patterns(".*", "__pycache__", "*.report")
    return Path(shutil.copytree(ROOT, folder, ignore=leave))


def _share(task: tuple) -> list:
    """The changes of one process's share that no test notices."""
    folder, module, source, numbers, tests, seconds = task
    preload()
    copy, left = _copy(folder), []
    for number in numbers:
        text, what = mutated(module, source, number)
        if survives(copy, module, text, tests, seconds):
            left.append(what)
    return left


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("module", help="below tuninglib, for example statistics/planning.py")
    parser.add_argument("tests", nargs="*", help="more tests to run")
    parser.add_argument("--most", type=int, default=0, help="an even sample of so many")
    parser.add_argument("--without", default="", help="tests to leave out, as for pytest -k")
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    source = (ROOT / "tuninglib" / asked.module).read_text(encoding="utf-8")
    count = len(counted(asked.module, ast.parse(source), source))
    chosen = min(count, asked.most) if asked.most else count
    numbers = sorted({count * at // chosen for at in range(chosen)}) if chosen else []
    tests = [*tests_of(asked.module), *asked.tests]
    if asked.without:
        tests += ["-k", f"not ({asked.without})"]
    os.environ.update(OPENBLAS_NUM_THREADS="1", PYTHONDONTWRITEBYTECODE="1")
    sys.dont_write_bytecode = True
    preload()
    with tempfile.TemporaryDirectory() as folder:
        begin = time.monotonic()
        if not survives(_copy(Path(folder) / "as it is"), asked.module, source, tests):
            sys.exit("the tests fail without any change")
        # What takes so much longer than the unchanged program runs for ever.
        rest = (asked.module, source), (tests, 15.0 + 4 * (time.monotonic() - begin))
        tasks = [
            (Path(folder) / str(at), *rest[0], numbers[at :: asked.processes], *rest[1])
            for at in range(asked.processes)
        ]
        with ProcessPoolExecutor(asked.processes, get_context("spawn")) as pool:
            left = [what for found in pool.map(_share, tasks) for what in found]
    killed = len(numbers) - len(left)
    share = f"{killed / len(numbers):.0%}" if numbers else "nothing to change"
    print(f"{asked.module}: {killed} of {len(numbers)} noticed ({share})")
    for what in sorted(left, key=lambda text: int(text.split()[1].strip(":"))):
        print(f"  {what}")


if __name__ == "__main__":
    main()
