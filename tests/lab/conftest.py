"""Each test of the lab starts as a workbook's new kernel does."""

import pytest

from tuninglib.lab import kit


@pytest.fixture(autouse=True)
def nothing_kept(monkeypatch):
    monkeypatch.setattr(kit, "_KEPT", {})
