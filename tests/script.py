"""A script of a page asked in node, else in Chromium, else a skip that says what is missing."""

import json
import shutil
import subprocess
from contextlib import contextmanager

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
require("readline").createInterface({{ input: process.stdin }}).on("line", line =>
  console.log(JSON.stringify(ask(JSON.parse(line)))));"""


@contextmanager
def asker():
    """A function that answers calls of a script's rules; a skip where nothing can run a script.

    It takes the script's path in the package, whose name is that of the function that it makes;
    what that is given; and calls: of each the name of a rule, then what the rule is given.
    """

    def answers(path: str, data: dict, calls) -> list:
        name = path.rpartition("/")[2].removesuffix(".js")
        return run({"source": asset(path), "name": name, "data": data, "calls": list(calls)})

    node = shutil.which("node")
    if node:
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "encoding": "utf-8"}
        with subprocess.Popen([node, "-e", _IN_NODE], **pipes) as process:

            def run(asked):
                print(json.dumps(asked), file=process.stdin, flush=True)
                line = process.stdout.readline()
                assert line, "the script ended with an error, which stands above"
                return json.loads(line)

            yield answers
        return
    if not any(map(shutil.which, NAMES)):
        pytest.skip(f"neither node nor one of {', '.join(NAMES)} is on this machine")
    with chromium() as browser:
        page = browser.new_page()
        # As text, since playwright takes long over what has many parts.
        as_text = f"text => JSON.stringify(({_ASK})(JSON.parse(text)))"

        def run(asked):
            return json.loads(page.evaluate(as_text, json.dumps(asked)))

        yield answers
