"""Asks the kernel's own header files, through the C compiler."""

import shutil
import subprocess
from pathlib import Path

import pytest


def compiled(folder: Path, header: str, body: str) -> list[int]:
    """Numbers that a C program with the kernel's own header prints."""
    if shutil.which("cc") is None or not Path("/usr/include", header).exists():
        pytest.skip(f"no C compiler, or no {header}, to compare with")
    source = folder / "ask.c"
    source.write_text(
        f"#include <stdio.h>\n#include <stddef.h>\n#include <{header}>\n"
        f"int main(void) {{ {body} return 0; }}\n"
    )
    subprocess.run(["cc", "-o", folder / "ask", source], check=True)
    done = subprocess.run([folder / "ask"], capture_output=True, text=True, check=True)
    return [int(word) for word in done.stdout.split()]
