"""`handsfree devices`: the microphones and sound outputs there are."""

from __future__ import annotations

import click


@click.command()
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a table.")
def devices(as_json: bool) -> None:
    """List microphones and sound outputs.

    Use a device's number, or words of its name, wherever a microphone or an output can be chosen.

    \b
    Example:
      handsfree devices
    """
    from handsfree.edges.audio import list_devices

    found = list_devices()
    if as_json:
        import json
        from dataclasses import asdict

        click.echo(json.dumps([asdict(device) for device in found], indent=2, ensure_ascii=False))
        return
    if not found:
        click.echo("No sound devices found. Recordings can still be used: handsfree session PLAN --from FILE")
        return
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table

    table = Table("number", "name", "in", "out", "rate (Hz)", "offered by", "default", box=SIMPLE_HEAD)
    for device in found:
        uses = [word for word, yes in (("in", device.default_input), ("out", device.default_output)) if yes]
        cells = (device.number, device.name, device.inputs, device.outputs, device.rate, device.host)
        table.add_row(*map(str, cells), " and ".join(uses))
    Console().print(table)
