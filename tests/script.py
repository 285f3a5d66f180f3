"""A script of a page asked in node, else in Chromium, else a skip that says what is missing."""

import json
import shutil
import subprocess

import pytest

from tests.browser import NAMES, chromium
from tuninglib.report.page_parts import asset

# Evaluates a script that makes rules from a page's data; answers each call of one of the rules.
_ASK = """({ source, name, data, calls }) => {
  globalThis.window ??= globalThis;
  globalThis.document ??= { getElementById: () => null };
  (0, eval)(source);
  const rules = globalThis[name](data);
  return calls.map(([rule, ...given]) => {
    const answer = rules[rule](...given);
    // What a rule did to what it was given counts, too.
    return rule === "merge" ? [answer, given[0]] : answer;
  });
}"""
_IN_NODE = f"""const ask = {_ASK};
process.stdout.write(JSON.stringify(ask(JSON.parse(require("fs").readFileSync(0, "utf8")))));"""


def answers(path: str, data: dict, calls) -> list:
    """What the rules of a script answer, call by call.

    ``path`` is that of the script in the package, whose name is that of the function that it
    makes; a call is a list: name of the rule, then what it is given.
    """
    name = path.rpartition("/")[2].removesuffix(".js")
    asked = {"source": asset(path), "name": name, "data": data, "calls": list(calls)}
    node = shutil.which("node")
    if node:
        done = subprocess.run(
            [node, "-e", _IN_NODE], input=json.dumps(asked), capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        return json.loads(done.stdout)
    if not any(map(shutil.which, NAMES)):
        pytest.skip(f"neither node nor one of {', '.join(NAMES)} is on this machine")
    with chromium() as browser:
        return browser.new_page().evaluate(_ASK, asked)
