"""The service: units by systemd's own verifier, and an installer that leaves what it found."""

import hashlib
import os
import re
import shlex
import shutil
import subprocess
import urllib.request
from pathlib import Path

import pytest
import yaml
from packaging.markers import Marker

from daemon.settings import Page, Settings, load_settings
from daemon.settings_tables import Table
from tests.whole_material import (
    CHECKOUT,
    free_port,
    halfcycle,
    mains,
    running,
    until,
    wav_driver,
    write_config,
    write_wav,
)  # fmt: skip
from tools.cli import main
from tools.lock import PYTHONS, lock_path, wanted
from tools.page import page_command

SYSTEMD = CHECKOUT / "systemd"
UNITS = ("halfcycle.service", "halfcycle-page.service")
ANALYZE = shutil.which("systemd-analyze")
needs_analyze = pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")


def installer(root: Path | None, *words: str) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "DESTDIR": "" if root is None else str(root)}
    return subprocess.run(
        [CHECKOUT / "tools" / "install", *words],
        capture_output=True,
        text=True,
        check=False,
        env=environment,
        cwd="/",
    )


def tree(root: Path) -> dict[str, tuple[int, str]]:
    """Every path below with its mode and content."""
    return {
        str(path.relative_to(root)): (
            path.stat().st_mode,
            hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "",
        )
        for path in sorted(root.rglob("*"))
    }


def runnable(unit: str, folder: Path) -> Path:
    """A copy whose program exists here, as the verifier wants it to."""
    text = (SYSTEMD / unit).read_text()
    text = re.sub(r"^ExecStart=/opt\S+", "ExecStart=/bin/true", text, flags=re.MULTILINE)
    text = re.sub(r"^Documentation=.*\n", "", text, flags=re.MULTILINE)
    copy = folder / unit
    copy.write_text(text)
    return copy


@needs_analyze
@pytest.mark.parametrize("unit", UNITS)
def test_systemd_finds_no_fault_in_the_units(unit: str, tmp_path: Path) -> None:
    for name in UNITS:  # the page's unit names the other one
        runnable(name, tmp_path)
    done = subprocess.run(
        [str(ANALYZE), "verify", "--man=no", str(tmp_path / unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    ours = [line for line in done.stderr.splitlines() if "halfcycle" in line]
    assert ours == []


@needs_analyze
@pytest.mark.parametrize(
    ("unit", "most"),
    # systemd's own exposure, 0 to 10: the monitor opens devices and runs in real time, the page
    # needs only its socket; systemd 252 says 1.6 and 1.4
    [("halfcycle.service", 1.7), ("halfcycle-page.service", 1.5)],
)
def test_systemd_rates_the_exposure_low(unit: str, most: float, tmp_path: Path) -> None:
    copy = runnable(unit, tmp_path)
    done = subprocess.run(
        [str(ANALYZE), "security", "--offline=yes", "--no-pager", str(copy)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode and "offline" in done.stderr:
        pytest.skip(f"this systemd-analyze cannot rate a file: {done.stderr.strip()}")
    rating = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert rating is not None, done.stderr
    assert float(rating[1]) <= most


def test_the_page_has_no_device() -> None:
    text = (SYSTEMD / "halfcycle-page.service").read_text()
    assert "PrivateDevices=yes" in text
    assert "DeviceAllow" not in text
    assert "SupplementaryGroups" not in text


def test_the_two_units_meet_in_one_folder() -> None:
    monitor, page = ((SYSTEMD / unit).read_text() for unit in UNITS)
    assert "RuntimeDirectory=halfcycle\n" in monitor
    assert "RuntimeDirectoryPreserve=yes" in monitor  # the page's view of it must stay the same
    assert "Environment=RUNTIME_DIRECTORY=/run/halfcycle\n" in page
    assert "Group=halfcycle\n" in monitor
    assert "Group=halfcycle\n" in page
    assert "monitor -c /etc/halfcycle/site.yaml --no-page" in monitor


@pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="no systemd-sysusers")
def test_users_and_groups_are_made(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    done = subprocess.run(
        ["systemd-sysusers", f"--root={tmp_path}", str(SYSTEMD / "halfcycle.sysusers")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    users = {line.partition(":")[0] for line in (tmp_path / "etc/passwd").read_text().splitlines()}
    groups = (tmp_path / "etc/group").read_text()
    assert {"halfcycle", "halfcycle-page"} <= users
    assert re.search(r"^halfcycle:.*:halfcycle-page$", groups, re.MULTILINE)
    assert {"spi", "gpio", "audio"} <= set(re.findall(r"^(\w+):", groups, re.MULTILINE))


def test_installing_twice_gives_the_same_tree(tmp_path: Path) -> None:
    first = installer(tmp_path)
    assert first.returncode == 0, first.stderr
    once = tree(tmp_path)
    assert {
        "etc/systemd/system/halfcycle.service", "etc/systemd/system/halfcycle-page.service",
        "usr/lib/sysusers.d/halfcycle.conf", "usr/lib/udev/rules.d/60-halfcycle.rules",
        "etc/halfcycle/site.yaml", "opt/halfcycle/src/pyproject.toml",
    } <= once.keys()  # fmt: skip
    assert not [name for name in once if "__pycache__" in name or name.endswith(".new")]
    second = installer(tmp_path)
    assert second.returncode == 0, second.stderr
    assert "as it should be: /etc/systemd/system/halfcycle.service" in second.stdout
    assert tree(tmp_path) == once


def test_uninstalling_leaves_nothing(tmp_path: Path) -> None:
    for words in ((), ("--limit-journal",)):
        assert installer(tmp_path, *words).returncode == 0
        assert len(tree(tmp_path)) > 50
        done = installer(tmp_path, "--uninstall")
        assert done.returncode == 0, done.stderr
        assert tree(tmp_path) == {}
    assert installer(tmp_path, "--uninstall").returncode == 0  # also when nothing is there


def test_an_upgrade_and_an_uninstall_keep_an_edited_configuration(tmp_path: Path) -> None:
    installer(tmp_path)
    site = tmp_path / "etc/halfcycle/site.yaml"
    site.write_text("mine\n")
    stale = tmp_path / "opt/halfcycle/src/tools/gone.py"
    stale.touch()
    unit = tmp_path / "etc/systemd/system/halfcycle.service"
    unit.write_text("old\n")
    installer(tmp_path)
    assert site.read_text() == "mine\n"
    assert not stale.exists()
    assert unit.read_text() == (SYSTEMD / "halfcycle.service").read_text()
    done = installer(tmp_path, "--uninstall")
    assert "kept, because it was edited" in done.stdout
    assert [name for name in tree(tmp_path) if name.endswith("yaml")] == ["etc/halfcycle/site.yaml"]


def test_a_dry_run_changes_nothing(tmp_path: Path) -> None:
    done = installer(tmp_path, "--dry-run")
    assert done.returncode == 0, done.stderr
    assert "would run: install -D -m 644 systemd/halfcycle.service" in done.stdout
    assert tree(tmp_path) == {}
    installer(tmp_path)
    before = tree(tmp_path)
    assert installer(tmp_path, "--dry-run", "--uninstall").returncode == 0
    assert tree(tmp_path) == before


def test_a_wrong_word_is_refused(tmp_path: Path) -> None:
    done = installer(tmp_path, "--fast")
    assert (done.returncode, "--fast is not known" in done.stderr) == (2, True)
    assert tree(tmp_path) == {}


def test_the_first_configuration_is_accepted(tmp_path: Path) -> None:
    """With the program's folder where it is here instead of where it will be."""
    installer(tmp_path)
    site = tmp_path / "etc/halfcycle/site.yaml"
    text = site.read_text().replace("/opt/halfcycle/src", str(CHECKOUT))
    site.write_text(text)
    settings = load_settings(site)
    assert settings.store.path == Path("/var/lib/halfcycle/events.db")
    assert yaml.safe_load(text)["driver"]["scenario"] == f"{CHECKOUT}/config/scenarios/demo.yaml"
    assert site.stat().st_mode & 0o777 == 0o640


def test_the_page_alone_shows_a_monitor_without_one(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(60.0))
    port = free_port()
    config = write_config(
        tmp_path, wav_driver(pace="realtime", start_utc=None), page={"port": port}
    )
    with running("monitor", "-c", config, "--no-page"):
        until((tmp_path / "events.db").exists)
        with running("page", "-c", config) as page:
            until(lambda: page.poll() is not None or _answers(port))
            assert page.poll() is None
            page.terminate()
            assert page.wait(10) == 0


def _answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/status", timeout=1) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def test_no_page_where_none_is_wanted(tmp_path: Path) -> None:
    config = write_config(tmp_path, wav_driver(), page={"enabled": False})
    write_wav(tmp_path / "a.wav", mains(0.1))
    done = halfcycle("page", "-c", config)
    assert (done.returncode, "page.enabled is false" in done.stderr) == (2, True)


def test_the_token_is_not_on_the_command_line(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(0.1))
    config = write_config(tmp_path, wav_driver(), page={"token": "bench-token"})
    settings: Settings = load_settings(config)
    assert isinstance(settings.page, Table)
    words = page_command(settings.page, tmp_path / "status.json", tmp_path / "events.db")
    assert "bench-token" not in " ".join(words)
    token_file = Path(words[words.index("--token-file") + 1])
    assert token_file.read_text() == "bench-token"
    os.close(int(token_file.name))


@pytest.mark.parametrize("python", PYTHONS)
def test_every_package_is_pinned_with_its_hash(python: str) -> None:
    """What a Raspberry Pi gets: no address in it, so that it can be had from any index."""
    text = lock_path(python).read_text()
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    assert all(
        re.fullmatch(r"[a-z0-9-]+==[\w.]+ --hash=sha256:[0-9a-f]{64}", line) for line in lines
    )
    assert "://" not in text
    names = {line.partition("=")[0] for line in lines}
    asked = {re.split(r"[<>=;]", one)[0] for one in wanted() if _is_for(one, python)}
    assert asked <= names
    assert ("lgpio" in names) == (python == "3.11")  # has no wheel for later ones


def _is_for(requirement: str, python: str) -> bool:
    _, _, marker = requirement.partition(";")
    return not marker or Marker(marker).evaluate({"python_version": python})


GUIDE = (SYSTEMD / "README.md").read_text(encoding="utf-8")
GIVEN = re.findall(r"^    sudo (?:-u halfcycle )?(/opt\S+) (.*?)(?: +#.*)?$", GUIDE, re.MULTILINE)


@pytest.mark.parametrize(("program", "words"), GIVEN)
def test_the_guide_gives_commands_that_can_be_given(program: str, words: str) -> None:
    """Parsed by the verbs themselves; program, configuration and database are the units' own."""
    for unit in UNITS:
        assert f"ExecStart={program} " in (SYSTEMD / unit).read_text()
    verb, *rest = shlex.split(words)
    context = main.make_context("halfcycle", [verb, *rest], resilient_parsing=True)
    command = main.get_command(context, verb)
    assert command is not None
    found = command.make_context(verb, rest).params
    place = CHECKOUT / "tools" / "install"
    for path in (found.get("config"), found.get("db"), found.get("database")):
        assert path is None or str(path) in place.read_text()


def test_the_guide_covers_what_follows_the_installation() -> None:
    verbs = {words.split()[0] for _, words in GIVEN}
    assert {"preflight", "calibrate", "mark", "events"} <= verbs
    assert f"127.0.0.1:{Page().port} " in GUIDE
    named = {
        name for line in re.findall(r"systemctl \w+ ([\w -]+)", GUIDE) for name in line.split()
    }
    assert {f"{name}.service" for name in named if name.startswith("halfcycle")} == set(UNITS)
