"""Real PostgreSQL servers from Debian's package, on loopback: a primary, and a standby that it waits for."""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import psycopg

HOST = "127.0.0.1"


def programs() -> Path | None:
    """The folder of the newest server that is installed; None where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: int(path.parts[-3]))
    return found[-1].parent if found else None


class ServerError(Exception):
    """What one of PostgreSQL's programs said when it failed."""


class Server:
    """One server in a folder of its own."""

    def __init__(self, folder: Path, name: str) -> None:
        self.data, self.log = folder / name, folder / f"{name}.log"
        with socket.socket() as probe:
            probe.bind((HOST, 0))
            self.port = int(probe.getsockname()[1])

    def run(self, program: str, *arguments: object) -> None:
        """Run one of its programs, as a user that it accepts: it refuses to be root."""
        user, folder = "postgres" if os.geteuid() == 0 else None, programs()
        if folder is None:
            raise ServerError("Debian's package postgresql is not installed; `python3 tools/start.py test` installs it")
        done = subprocess.run(
            [str(folder / program), *map(str, arguments)], capture_output=True, text=True, user=user, cwd="/",
            env={"LC_ALL": "C.UTF-8", "PATH": os.environ["PATH"]}, check=False,
        )  # fmt: skip
        if done.returncode:
            raise ServerError(done.stderr + (self.log.read_text() if self.log.exists() else ""))

    def start(self, *options: str) -> None:
        said = f"-p {self.port} -k '' -c listen_addresses={HOST} {' '.join(options)}"
        self.run("pg_ctl", "-D", self.data, "-w", "-t", 30, "-l", self.log, "-o", said, "start")

    def promote(self) -> None:
        """Make a primary of a standby."""
        self.run("pg_ctl", "-D", self.data, "-w", "promote")

    def kill(self) -> None:
        """`kill -9` to all of it, as when a machine dies."""
        with suppress(OSError, IndexError):
            pid = int((self.data / "postmaster.pid").read_text().split()[0])
            children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
            for one in (pid, *map(int, children)):
                with suppress(ProcessLookupError):
                    os.kill(one, signal.SIGKILL)
            while Path(f"/proc/{pid}").exists() and "Z" not in Path(f"/proc/{pid}/stat").read_text().split()[2]:
                time.sleep(0.01)


@contextmanager
def servers(*names: str) -> Iterator[list[Server]]:
    """Servers that are not started yet, and are gone afterwards."""
    folder = Path(tempfile.mkdtemp(prefix="farend-pg-"))
    if os.geteuid() == 0:
        user = pwd.getpwnam("postgres")
        os.chown(folder, user.pw_uid, user.pw_gid)
    made = [Server(folder, name) for name in names]
    try:
        yield made
    finally:
        for server in made:
            server.kill()
        shutil.rmtree(folder, ignore_errors=True)


def primary(server: Server, *options: str) -> None:
    """Make and start a first server."""
    server.run("initdb", "-D", server.data, "-A", "trust", "-U", "farend", "--no-sync", "-E", "UTF8")
    server.start(*options)


def standby(server: Server, of: Server) -> None:
    """Make and start a server that follows another."""
    server.run(
        "pg_basebackup", "-h", HOST, "-p", of.port, "-U", "farend", "-D", server.data, "-R", "-c", "fast", "--no-sync"
    )
    server.start("-c wal_retrieve_retry_interval=100ms")  # sooner aware that its primary is gone


def hold_back(server: Server) -> None:
    """From now on what comes to a standby is on its disk and not applied: `remote_apply` answers no commit any more."""
    with psycopg.connect(url(server), autocommit=True) as db:
        db.execute("ALTER SYSTEM SET recovery_min_apply_delay = '1h'")
        db.execute("SELECT pg_reload_conf()")


def url(*servers: Server) -> str:
    """Where the journal lies: on whichever of these takes writes."""
    hosts = ",".join(f"{HOST}:{server.port}" for server in servers)
    return f"postgresql://farend@{hosts}/postgres"
