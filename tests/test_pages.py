"""The pages of progress and of the hand-over in a real browser: axe-core, widths, light, dark, no request, no error."""

from __future__ import annotations

import pytest

from demo.simulate import domino, plan_of, write
from handsfree.core.handover import hand_over
from handsfree.core.progress import progress
from handsfree.edges import handover_page, progress_page
from handsfree.edges.store import Store
from tests.browsing import WITH_A_BROWSER
from tests.pasts import history, session

axe = pytest.importorskip("axe_playwright_python.sync_playwright")
pytestmark = WITH_A_BROWSER


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """progress.html and handover.html of the invented dog."""
    folder = tmp_path_factory.mktemp("pages")
    write(folder / "log.db", domino())
    with Store.open(folder / "log.db", read_only=True) as store:
        found = progress(store.history("Domino"))
    progress_page.write(folder / "progress.html", found)
    plan, _ = plan_of("Domino", "Ottilie", "the garden")
    handover_page.write_html(folder / "handover.html", hand_over(plan, found))
    return folder


@pytest.mark.parametrize("width", [360, 768, 1440])
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["progress", "handover"])
def test_a_page_is_clean(browser, folder, name, scheme, width):
    # axe-core is put into the page, which the page's own policy forbids
    page = browser.new_page(color_scheme=scheme, viewport={"width": width, "height": 900}, bypass_csp=True)
    said, asked = [], []
    page.on("console", lambda message: said.append(message.text))
    page.on("request", lambda request: asked.append(request.url))
    page.goto((folder / f"{name}.html").as_uri())
    assert asked == [(folder / f"{name}.html").as_uri()]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    found = axe.Axe().run(page)
    assert [fault["id"] for fault in found.response["violations"]] == []
    assert said == []
    page.close()


def test_a_relapse_can_be_read_without_colours(browser, folder):
    page = browser.new_page()
    page.goto((folder / "progress.html").as_uri())
    section = page.locator("section", has=page.get_by_role("heading", name="reverse"))
    assert "Likely relapse since Sat 21 Mar" in section.inner_text()
    assert section.locator("svg rect.bad").count() == 7  # open squares: days of the relapse
    assert section.locator("svg circle.dot").count() == 11  # dots: days before
    assert section.locator("svg text.alarming").text_content() == "likely relapse from Sat 21 Mar"
    assert (
        section.get_by_role("img").get_attribute("aria-label").startswith("reverse. LIKELY RELAPSE: since Sat 21 Mar")
    )
    page.close()


def test_what_is_written_above_a_picture_does_not_overlap(browser, tmp_path):
    """Also where a plateau began on the first day."""
    found = progress(history(*(session(day, ("sit", 2, "+-+-+-+-+-")) for day in range(5))))
    progress_page.write(tmp_path / "flat.html", found)
    page = browser.new_page()
    page.goto((tmp_path / "flat.html").as_uri())
    title, name = (page.get_by_text(text).bounding_box() for text in ("correct, with 95 % interval", "no gain since"))
    assert title["x"] + title["width"] <= name["x"]
    page.close()


def test_a_phone_shows_the_latest_days_first(browser, folder):
    page = browser.new_page(viewport={"width": 360, "height": 700})
    page.goto((folder / "progress.html").as_uri())
    picture = page.locator("section svg").first.bounding_box()
    assert picture["width"] > 360
    assert picture["x"] + picture["width"] <= 360
    page.close()


@pytest.mark.parametrize("scrolled", [0, -100, -1000])
def test_a_phone_shows_the_scale_wherever_the_picture_is_scrolled_to(browser, folder, scrolled):
    """Each of its values stands in sight, and as high as in the picture below it."""
    page = browser.new_page(viewport={"width": 360, "height": 700})
    page.goto((folder / "progress.html").as_uri())
    plot = page.locator(".plot").first
    plot.locator(".newest").evaluate("(found, left) => { found.scrollLeft = left; }", scrolled)
    for value in ("100 %", "80 %", "50 %", "0 %", "1", "2"):
        shown, below = (plot.locator(of).get_by_text(value, exact=True).bounding_box() for of in (".scale", ".newest"))
        assert 0 <= shown["x"] < 60
        assert shown["y"] == pytest.approx(below["y"], abs=0.5)
    page.set_viewport_size({"width": 700, "height": 700})
    assert not plot.locator(".scale").is_visible()  # here all of it fits
    page.close()
