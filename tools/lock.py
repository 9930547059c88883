"""Writes the pinned lists that `tools/install` uses on a Raspberry Pi: `python -m tools.lock`.

For 64-bit ARM and each Python of Raspberry Pi OS, every package with the hash of its file, as pip
resolves them today. Run it to take up newer releases, look at the difference, and run the tests.
"""

import json
import subprocess
import sys
import tempfile
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PYTHONS = ("3.11", "3.13")  # of Raspberry Pi OS bookworm and trixie
GLIBC = ("2_17", "2_28", "2_34")  # at most the 2.36 of bookworm
EXTRAS = ("pi", "sound")
SOURCE_ONLY = ("spidev",)  # has no wheel: built where it is installed, the same file everywhere
HEAD = """\
# Made by `python -m tools.lock` for Python {python} on 64-bit ARM; see systemd/README.md.
"""


def lock_path(python: str) -> Path:
    """Where the list for one Python lies."""
    return ROOT / "systemd" / f"requirements-aarch64-py{python.replace('.', '')}.txt"


def wanted() -> list[str]:
    """What the project asks for, on a Raspberry Pi."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    return [*project["dependencies"], *(one for extra in EXTRAS for one in extras[extra])]


def locked(python: str) -> str:
    """The list for one Python, as pip reads it."""
    wheels = [one for one in wanted() if not one.startswith(SOURCE_ONLY) and _fits(one, python)]
    sources = [one for one in wanted() if one.startswith(SOURCE_ONLY)]
    platforms = [f"--platform=manylinux_{version}_aarch64" for version in GLIBC]
    found = _resolved([*platforms, f"--python-version={python}", "--only-binary=:all:"], wheels)
    found |= _resolved(["--no-deps", "--no-binary=:all:"], sources)
    lines = [f"{name}=={version} --hash=sha256:{digest}\n" for (name, version), digest in
             sorted(found.items())]  # fmt: skip
    return HEAD.format(python=python) + "".join(lines)


def _fits(requirement: str, python: str) -> bool:
    """pip reads a marker with the Python it runs on, not with the one that is asked for."""
    return not (python != "3.11" and "python_version < '3.13'" in requirement)


def _resolved(options: list[str], requirements: list[str]) -> dict[tuple[str, str], str]:
    """Name and version of everything needed, with the SHA-256 of its file."""
    bare = [one.partition(";")[0] for one in requirements]
    with tempfile.TemporaryDirectory() as nowhere:
        command = [
            *(sys.executable, "-m", "pip", "install", "--dry-run", "--quiet"),
            *("--ignore-installed", "--target", nowhere, "--report", "-"),
        ]
        done = subprocess.run(
            [*command, *options, *bare], stdout=subprocess.PIPE, text=True, check=True
        )
    return {
        (one["metadata"]["name"].lower().replace("_", "-"), one["metadata"]["version"]): one[
            "download_info"
        ]["archive_info"]["hashes"]["sha256"]
        for one in json.loads(done.stdout)["install"]
    }


def main() -> None:
    """Write every list."""
    for python in PYTHONS:
        lock_path(python).write_text(locked(python), encoding="utf-8")
        print(f"wrote {lock_path(python).relative_to(ROOT)}")


if __name__ == "__main__":
    main()
