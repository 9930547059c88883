"""What systemd hears: datagrams on the socket it names (sd_notify(3))."""

import socket
from pathlib import Path

import pytest

from daemon.notify import notify


@pytest.mark.parametrize("is_abstract", [False, True])
def test_a_state_arrives_as_one_datagram(
    is_abstract: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A leading @ stands for the null byte of an abstract address."""
    name = f"@halfcycle-test-{tmp_path.name}" if is_abstract else str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("\0" + name[1:] if is_abstract else name)
        listener.settimeout(2)
        monkeypatch.setenv("NOTIFY_SOCKET", name)
        notify("READY=1")
        notify("WATCHDOG=1")
        assert [listener.recv(100), listener.recv(100)] == [b"READY=1", b"WATCHDOG=1"]


@pytest.mark.parametrize("address", [None, "", "/nowhere/at/all", "@halfcycle-nobody-listens"])
def test_nobody_listening_is_harmless(address: str | None, monkeypatch: pytest.MonkeyPatch) -> None:
    if address is None:
        monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    else:
        monkeypatch.setenv("NOTIFY_SOCKET", address)
    notify("READY=1")


def test_whoever_does_not_read_does_not_make_the_monitor_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Linux keeps some ten datagrams for a reader (unix(7), max_dgram_qlen)."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        for _ in range(1000):
            notify("WATCHDOG=1")
        assert listener.recv(100) == b"WATCHDOG=1"
