"""`handsfree handover`: pages for the family that takes the dog over."""

from __future__ import annotations

from pathlib import Path

import click

# Everything else is imported when the command runs: --help of the whole program must stay quick.


@click.command()
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--html", "page", type=click.Path(path_type=Path), help="Write a page for a screen, or to print.")
@click.option("--pdf", type=click.Path(path_type=Path), help="Write the same as a PDF. Needs WeasyPrint.")
@click.option("--log", type=click.Path(path_type=Path), help="The log to read. [default: the log sessions write to]")
def handover(plan: Path, page: Path | None, pdf: Path | None, log: Path | None) -> None:
    """Write pages for the family that takes a dog over.

    Each behaviour with its words and hand signal, what the dog does today, where and with whom, the step that follows;
    rules, do and don't in your own words, from the plan; cautions, and whom to ask. Nobody is sent anything.

    \b
    Example:
      handsfree handover bruno.toml --html bruno.html --pdf bruno.pdf
    """
    from handsfree import places
    from handsfree.core.errors import UserError
    from handsfree.core.handover import hand_over
    from handsfree.core.progress import progress
    from handsfree.edges import handover_page, planfile
    from handsfree.edges.store import Store

    if page is None and pdf is None:
        raise UserError("nothing to write: give --html FILE, --pdf FILE or both")
    loaded = planfile.load(plan)
    with Store.open(log or places.default_log(), read_only=True) as store:
        handed = hand_over(loaded, progress(store.history(loaded.dog)))
    if page:
        handover_page.write_html(page, handed)
        click.echo(f"written to {page}")
    if pdf:
        handover_page.write_pdf(pdf, handed)
        click.echo(f"written to {pdf}")
