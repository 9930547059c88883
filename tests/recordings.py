"""Two open recordings of real disturbances, fetched once and kept in pytest's cache.

They lie in the source archive of pyComtrade 0.2.0: `test1` (50 Hz, a swell) and `test2` (60 Hz, a
dip), both from generators on three phases. Only their .cfg and .dat files are unpacked.
"""

import hashlib
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import pytest

ARCHIVE = "pyComtrade==0.2.0"
ARCHIVE_SHA256 = "85e40c1586aa091241795320d1cfdfb411cf5013d2fdc18dab893394b8596bd9"
SUFFIXES = (".cfg", ".dat")


def open_recordings(config: pytest.Config) -> Path:
    """The folder with test1.cfg, test1.dat, test2.cfg, test2.dat; skips where it cannot be had."""
    if config.cache is None:
        pytest.skip("the open recordings are kept in pytest's cache, which is switched off")
    folder = config.cache.mkdir("open-recordings")
    if not all((folder / f"test{n}{suffix}").is_file() for n in (1, 2) for suffix in SUFFIXES):
        with tempfile.TemporaryDirectory() as download:
            _unpack(_downloaded(Path(download)), folder)
    return folder


def _downloaded(folder: Path) -> Path:
    command = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", ":all:"]
    command += ["--retries", "1", "--timeout", "15", "--dest", str(folder), ARCHIVE]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    except subprocess.TimeoutExpired:
        pytest.skip(f"{ARCHIVE} did not come within 120 s")
    if done.returncode != 0:
        lines = [line for line in done.stderr.splitlines() if line.startswith("ERROR")]
        pytest.skip(f"{ARCHIVE} cannot be fetched: {' '.join(lines[:1]) or done.stderr[-200:]}")
    return next(folder.iterdir())


def _unpack(archive: Path, folder: Path) -> None:
    """Only the members asked for, under their bare names: nothing can land elsewhere."""
    assert hashlib.sha256(archive.read_bytes()).hexdigest() == ARCHIVE_SHA256
    with zipfile.ZipFile(archive) as members:
        for name in members.namelist():
            if Path(name).suffix in SUFFIXES:
                part = folder / f"{Path(name).name}.{archive.parent.name}"
                part.write_bytes(members.read(name))
                part.replace(folder / Path(name).name)
