"""Fixtures of more than one file."""

from __future__ import annotations

import pytest

from tests.browsing import CHROMIUM


@pytest.fixture(scope="module")
def browser():
    """The system's Chromium, driven by Playwright. Nothing plays by itself, as in the browsers people use."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        arguments = ["--no-sandbox", "--autoplay-policy=user-gesture-required"]
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        yield browser
        browser.close()
