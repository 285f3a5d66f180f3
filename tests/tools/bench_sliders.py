"""How quickly the picture follows the slider, printed: in the kernel alone, and from key to page.

Run it from the project's folder: ``python -m tests.tools.bench_sliders``. Without Chromium and
playwright only the kernel's part is measured.
"""

import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import pytest

from tuninglib.analysis.analyse import analyse
from tuninglib.lab import explore, first_guess
from tuninglib.session.load import load_session

TESTS = Path(__file__).resolve().parent.parent
DEMO = TESTS.parent / "demo_data" / "bigger_cylinder"
PRESSES = 40
# From the key to the new picture in the page, by the page's own clock.
PRESS = """async ([panel, index, key]) => {
  const picture = () => document.querySelector(panel + " img.tuning-picture");
  const handle = document.querySelectorAll(panel + " .widget-slider .noUi-handle")[index];
  handle.focus();
  const old = picture().src, start = performance.now();
  return await new Promise(done => {
    const look = new MutationObserver(() => {
      const now = picture();
      if (now && now.src !== old) { look.disconnect(); done(performance.now() - start); }
    });
    look.observe(document.querySelector(panel), {subtree: true, childList: true, attributes: true});
    handle.dispatchEvent(new KeyboardEvent("keydown", {key, bubbles: true}));
  });
}"""


def show(name, seconds):
    ms = sorted(1000 * one for one in seconds)
    print(
        f"{name:44} median {statistics.median(ms):6.1f} ms   "
        f"9 of 10 below {ms[int(0.9 * len(ms))]:6.1f} ms   n={len(ms)}"
    )


def in_the_kernel():
    results = analyse(load_session(DEMO))
    for name, panel, index in (
        ("mixture: picture and words", explore.mixture(results), 3),
        ("another rider: words", explore.another_rider(results), 0),
        ("tank: words", first_guess.tank(results), 1),
        ("first guess: words", first_guess.first_guess(results), 0),
    ):
        slider = panel.children[index]
        took = []
        for press in range(PRESSES):
            start = time.perf_counter()
            slider.value += slider.step if press % 2 else -slider.step
            took.append(time.perf_counter() - start)
        show(f"kernel, {name}", took)


def from_key_to_page():
    # The tests' own helpers lie beside this folder.
    sys.path.insert(0, str(TESTS.parent))
    from tests.browser import chromium
    from tests.lab.test_start import PANEL, lab_server, open_lab, run_workbook

    with tempfile.TemporaryDirectory() as folder:
        outing = shutil.copytree(DEMO, Path(folder) / "outing")
        private = Path(folder) / "server"
        private.mkdir()
        with chromium() as browser, lab_server(outing, private) as address:
            page = browser.new_page(viewport={"width": 1300, "height": 1000})
            open_lab(page, address)
            run_workbook(page, "explore").locator("img.tuning-picture").scroll_into_view_if_needed()
            took = []
            for press in range(PRESSES + 5):
                key = "ArrowRight" if press % 2 else "ArrowLeft"
                took.append(page.evaluate(PRESS, [PANEL, 3, key]) / 1000)
                page.wait_for_timeout(60)
            show("key to page, mixture: picture", took[5:])


if __name__ == "__main__":
    in_the_kernel()
    try:
        from_key_to_page()
    except pytest.skip.Exception as reason:
        print(f"key to page: not measured, {reason}")
