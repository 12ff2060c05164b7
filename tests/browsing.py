"""The system's Chromium, for tests that look at pages."""

from __future__ import annotations

import importlib.util
import shutil

import pytest

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
WITH_A_BROWSER = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here: install it with the system's packages"),
    pytest.mark.skipif(importlib.util.find_spec("playwright") is None, reason="no playwright here"),
]
"""Marks of such a test; it takes the fixture `browser`."""
