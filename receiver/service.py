"""What a service manager gives a bench and hears from it: sockets that are open already, and in which state it is.

By sd_listen_fds(3) and sd_notify(3) of systemd, as far as a bench needs them. Without a manager nothing here does anything.
"""

import os
import socket
import time
from collections.abc import MutableMapping
from contextlib import suppress

FIRST_FD = 3  # SD_LISTEN_FDS_START
KINDS = {"tcp": socket.SOCK_STREAM, "tls": socket.SOCK_STREAM, "metrics": socket.SOCK_STREAM, "udp": socket.SOCK_DGRAM}

Given = tuple[str, socket.socket]


def sockets_given(environ: MutableMapping[str, str] = os.environ) -> list[Given]:
    """The sockets that were handed over, each with the kind of its line; none where they are meant for another process.

    Its name tells the kind (`tls`, or `tls-` and more); one with another name is TCP or UDP by what it is. ValueError where
    one cannot be a line. What said so is taken out of the environment: no process that this one starts is meant.
    """
    names = environ.pop("LISTEN_FDNAMES", "").split(":")
    count, whose = environ.pop("LISTEN_FDS", ""), environ.pop("LISTEN_PID", "")
    if whose != str(os.getpid()) or not count.isdigit():
        return []
    found = []
    for place in range(int(count)):
        number, name = FIRST_FD + place, names[place] if place < len(names) else ""
        os.set_inheritable(number, False)
        one = socket.socket(fileno=number)
        try:
            found.append((_kind(one, name or f"number {place + 1}"), one))
        except ValueError:
            one.close()
            raise
    return found


def _kind(one: socket.socket, name: str) -> str:
    if one.family not in (socket.AF_INET, socket.AF_INET6):
        raise ValueError(f"the socket {name} that was handed over is not one of IPv4 or IPv6")
    otherwise = "tcp" if one.type == socket.SOCK_STREAM else "udp"
    kind = name.partition("-")[0]
    kind = kind if kind in KINDS else otherwise
    if KINDS[kind] != one.type:
        raise ValueError(
            f"the socket {name} that was handed over is {otherwise.upper()}, and cannot be a line of {kind}"
        )
    if kind != "udp" and not one.getsockopt(socket.SOL_SOCKET, socket.SO_ACCEPTCONN):
        raise ValueError(f"the socket {name} that was handed over does not listen (Accept=yes in its unit?)")
    return kind


class Manager:
    """Who is told in which state the bench is: the manager at `NOTIFY_SOCKET`, or nobody."""

    def __init__(self, environ: MutableMapping[str, str] = os.environ) -> None:
        where = environ.get("NOTIFY_SOCKET", "")
        self._where = f"\0{where[1:]}" if where.startswith("@") else where
        mine = environ.get("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        given = environ.get("WATCHDOG_USEC", "")
        self.watchdog = int(given) / 1e6 if self._where and mine and given.isdigit() and int(given) else None
        """Seconds within which it wants to hear `WATCHDOG=1`; None where it does not."""

    def report(self, state: str, status: str = "") -> None:
        """Say one of READY, RELOADING, STOPPING, WATCHDOG, and a sentence for people. Never waits, never fails."""
        if not self._where:
            return
        lines = [f"{state}=1"]
        if state == "RELOADING":
            lines.append(f"MONOTONIC_USEC={time.clock_gettime_ns(time.CLOCK_MONOTONIC) // 1000}")
        if status:
            lines.append("STATUS=" + status.replace("\n", " "))
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.setblocking(False)
            line.sendto("\n".join(lines).encode(), self._where)
