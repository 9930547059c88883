"""Tells systemd how the service is doing (sd_notify protocol), where there is a systemd."""

import contextlib
import os
import socket


def notify(state: str) -> None:
    """Send lines such as `READY=1` or `WATCHDOG=1`; nothing where no one listens."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as peer:
        peer.setblocking(False)  # who does not listen must not make measuring wait
        peer.sendto(state.encode(), address)
