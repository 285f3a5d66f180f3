"""A real browser for tests: Chromium driven by playwright, or a skip that says what is missing."""

import os
import shutil
from contextlib import contextmanager

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")


@contextmanager
def chromium():
    """A headless Chromium that is closed again; skips the test where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        pytest.skip(f"none of {', '.join(NAMES)} is on this machine")
    # Chromium's sandbox refuses to run for root, which is who runs tests in a container.
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=path, args=["--no-sandbox"] if root else []
        )
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def shown(browser, path, *, width=1280, height=900, **options):
    """A page that shows a file; fails if it asks for anything else or complains of anything.

    ``options`` go to the browser context: ``color_scheme``, ``java_script_enabled`` and so on.
    """
    context = browser.new_context(
        viewport={"width": width, "height": height}, offline=True, **options
    )
    asked, complaints = [], []
    context.on("request", lambda request: asked.append(request.url))
    page = context.new_page()
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "console",
        lambda said: complaints.append(said.text) if said.type in ("error", "warning") else None,
    )
    try:
        page.goto(path.as_uri())
        yield page
    finally:
        context.close()
    assert [url for url in asked if not url.startswith("data:")] == [path.as_uri()]
    assert not complaints, "\n".join(complaints)
