"""Real PostgreSQL servers from Debian's package, on loopback, for the tests: a primary, and a standby that it waits for."""

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

HOST = "127.0.0.1"


def programs() -> Path:
    """The folder of the newest server that is installed."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"), key=lambda path: int(path.parts[-3]))
    assert found, "Debian's package postgresql is not installed; `python3 tools/start.py test` installs it"
    return found[-1].parent


class Server:
    """One server in a folder of its own."""

    def __init__(self, folder: Path, name: str) -> None:
        self.data, self.log = folder / name, folder / f"{name}.log"
        with socket.socket() as probe:
            probe.bind((HOST, 0))
            self.port = int(probe.getsockname()[1])

    def run(self, program: str, *arguments: object) -> None:
        """Run one of its programs, as a user that it accepts: it refuses to be root."""
        user = "postgres" if os.geteuid() == 0 else None
        done = subprocess.run(
            [str(programs() / program), *map(str, arguments)], capture_output=True, text=True, user=user, cwd="/",
            env={"LC_ALL": "C.UTF-8", "PATH": os.environ["PATH"]}, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr + (self.log.read_text() if self.log.exists() else "")

    def start(self, *options: str) -> None:
        said = f"-p {self.port} -k '' -c listen_addresses={HOST} {' '.join(options)}"
        self.run("pg_ctl", "-D", self.data, "-w", "-t", 30, "-l", self.log, "-o", said, "start")

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
    server.start()


def url(*servers: Server) -> str:
    """Where the journal lies: on whichever of these takes writes."""
    hosts = ",".join(f"{HOST}:{server.port}" for server in servers)
    return f"postgresql://farend@{hosts}/postgres"
