#!/usr/bin/env python3
"""Runs `handsfree demo` and draws what it prints, down to the table, as demo.svg for the README."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from pathlib import Path

from rich.console import Console
from rich.text import Text

COLUMNS = 76


def main() -> None:
    environment = os.environ | {"FORCE_COLOR": "1", "COLUMNS": str(COLUMNS), "PYTHONIOENCODING": "utf-8"}
    command = [sys.executable, "-m", "handsfree.cli", "demo"]
    printed = subprocess.run(command, env=environment, check=True, capture_output=True, encoding="utf-8").stdout
    shown = printed[: printed.index("Truth against counted")].rstrip()
    console = Console(record=True, width=COLUMNS, file=io.StringIO())
    console.print(Text("$ handsfree demo", style="bold"))
    console.print(Text.from_ansi(shown))
    svg = console.export_svg(title="handsfree demo")
    # Without rich's web fonts: a picture in a README should not fetch anything.
    svg = re.sub(r"@font-face \{.*?\}|<!--.*?-->", "", svg, flags=re.DOTALL)
    Path(__file__).with_name("demo.svg").write_text(svg, encoding="utf-8")


if __name__ == "__main__":
    main()
