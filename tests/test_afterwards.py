"""A puppy's days from the plan to the family: what is corrected on the page is what everything afterwards says."""

from __future__ import annotations

import random
import re
from datetime import timedelta

from click.testing import CliRunner

from demo.simulate import Learner, simulated_session
from handsfree.cli import handsfree
from handsfree.core.stats import wilson
from handsfree.edges import planfile
from tests.browsing import WITH_A_BROWSER
from tests.logs import STARTED
from tests.reviews import serving, write

pytestmark = WITH_A_BROWSER
DAYS, REPS, WRONG = 4, 12, 3
HANDLER = "Sol"


def run(*arguments) -> str:
    done = CliRunner().invoke(handsfree, [str(one) for one in arguments])
    if done.exception:
        raise done.exception
    return " ".join(done.output.split())


def numbers(text: str, pattern: str) -> tuple[int, ...]:
    found = re.search(pattern, text)
    assert found, (pattern, text)
    return tuple(map(int, found.groups()))


def told(plan, log) -> dict[str, tuple[int, ...]]:
    """Correct reps, and of how many, as each command says it without a browser."""
    day_after = (STARTED + timedelta(days=DAYS + 1)).date()
    last = (STARTED + timedelta(days=DAYS - 1)).date()
    return {
        "summary": numbers(run("summary", "--log", log), r"(\d+) of (\d+) correct"),
        "progress": numbers(run("progress", "sit", "--log", log), rf"{last.day} {last:%b} (\d+)/(\d+)"),
        "tomorrow": numbers(run("tomorrow", plan, "--on", day_after, "--log", log), r"(\d+) of the last (10) correct"),
    }


def test_what_is_corrected_on_the_page_is_what_all_say_afterwards(browser, tmp_path):
    plan, log, laptop = tmp_path / "tikka.toml", tmp_path / "log.db", tmp_path / "laptop.db"
    run("plan", "new", plan, "--dog", "Tikka", "--handler", HANDLER, "--behaviour", "sit: sit")
    text = re.sub(r"steps = \[.*?\]", 'steps = ["at home"]', plan.read_text(encoding="utf-8"), flags=re.DOTALL)
    plan.write_text(text, encoding="utf-8")
    learner, steps, chance = Learner({"sit": 2.5}), {}, random.Random(4)
    parsed = planfile.parse(text, plan)
    write(log, *(simulated_session(parsed, text, STARTED, learner, steps, chance, REPS) for _ in range(DAYS)))
    run("merge", log, "--log", laptop)  # another machine, before anything is corrected
    before = told(plan, log)
    correct, reps = handed(browser, plan, log, tmp_path)

    with serving(log, "--who", HANDLER) as link:
        page = browser.new_page()
        errors = []
        page.on("console", lambda said: errors.append(said.text))
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.goto(link)
        page.wait_for_selector("html[data-ready=yes]")
        row = page.locator("header tr", has_text="sit")
        page.keyboard.press("End")
        wrong = 0
        while wrong < WRONG:  # the last correct ones, so that they are among the last ten
            if page.locator('#list [aria-selected="true"]', has_text=re.compile(r"\bcorrect")).count():
                wrong += 1
                page.keyboard.press("w")
                now = before["summary"][0] - wrong, before["summary"][1]
                row.get_by_text(f"{now[0]} of {now[1]}").wait_for()
            page.keyboard.press("ArrowLeft")
        low, high = (f"{100 * share:.0f}" for share in wilson(*now))
        assert f"{low} to {high} %" in row.inner_text()
        assert errors == []
        page.close()

    after = told(plan, log)
    assert after == {name: (correct - WRONG, *of) for name, (correct, *of) in before.items()}
    assert handed(browser, plan, log, tmp_path) == (correct - WRONG, reps)

    run("backup", tmp_path / "stick.db", "--log", log)
    run("restore", tmp_path / "stick.db", "--log", tmp_path / "new.db")
    run("merge", tmp_path / "stick.db", "--log", laptop)
    assert "Nothing new" in run("merge", tmp_path / "stick.db", "--log", laptop)
    for other in (tmp_path / "new.db", laptop):
        assert told(plan, other) == after
        assert run("progress", "--log", other) == run("progress", "--log", log)


def handed(browser, plan, log, folder) -> tuple[int, ...]:
    """Right reps, and of how many, as the pages for the family and of progress show them; both agree."""
    run("handover", plan, "--html", folder / "family.html", "--log", log)
    run("progress", "--html", folder / "progress.html", "--log", log)
    page = browser.new_page()
    page.goto((folder / "family.html").as_uri())
    family = numbers(page.inner_text("section"), r"(\d+) of (\d+) right")
    page.goto((folder / "progress.html").as_uri())
    assert numbers(page.inner_text("section"), r"(\d+) of (\d+) correct") == family
    page.close()
    return family
