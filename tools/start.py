"""Everything from a fresh checkout: makes .venv, installs farend into it and runs what is asked for.

    python3 tools/start.py [ARGUMENTS]           run `farend demo`
    python3 tools/start.py test [ARGUMENTS]      run every check, pytest last; the arguments go to pytest
    python3 tools/start.py bench [ARGUMENTS]     measure (tools/bench.py)
    python3 tools/start.py lab [ARGUMENTS]       break things and count what the journal kept (tools/lab.py)
    python3 tools/start.py fuzz [ARGUMENTS]      try reader, decoder and importers with any bytes (tests/fuzz/run.py)
    python3 tools/start.py evidence [ARGUMENTS]  the page of which clause is checked by what (tools/evidence.py)
    python3 tools/start.py audit | lock          look up what is pinned; pin it anew (tools/supply.py)

Python's standard library is enough for this file. Run it as often as you like: what is there already is not made again.
"""

from __future__ import annotations  # so that an older Python gets as far as being told that it is too old

import fcntl
import hashlib
import importlib
import importlib.util
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import NoReturn

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
BIN = VENV / "bin"
STAMP = VENV / "farend.stamp"  # written last, so a .venv without it is half made
OLDEST = (3, 11)
# What is pinned with hashes, by extras. The locks were made for this Python on Linux; others go by pyproject.toml's ranges.
LOCKS = {"": "requirements.lock", "test": "requirements-test.lock"}
LOCKED = (3, 11)

# Programs that are no Python packages, and the Debian package that has each.
FOR_TESTS = {
    "openssl": "openssl",
    "chromium": "chromium",
    "pdftotext": "poppler-utils",
    "pdfinfo": "poppler-utils",
    "qpdf": "qpdf",
    "tshark": "tshark",
    "multimon-ng": "multimon-ng",
    "sox": "sox",
    "strace": "strace",
    "mkfs.ext4": "e2fsprogs",
    "/usr/sbin/mosquitto": "mosquitto",
    "systemd-socket-activate": "systemd",
    "systemd-analyze": "systemd",
    "/usr/lib/postgresql/*/bin/postgres": "postgresql",  # outside of the PATH
}
FOR_BENCH = {
    "redis-server": "redis-server",
    "redis-benchmark": "redis-server",
    "socat": "socat",
    "multimon-ng": "multimon-ng",
}

FOR_LAB = {
    "strace": "strace",
    "faketime": "faketime",
    "ip": "iproute2",
    "nft": "nftables",
    "mkfs.ext4": "e2fsprogs",
    "losetup": "mount",
    "/usr/lib/postgresql/*/bin/postgres": "postgresql",
}

# Much of a test is waiting, so three workers share two cores. A file stays with one of them, since its tests may share a
# browser; files keep their order.
AT_ONCE = ("-n", "3", "--dist", "loadfile", "--no-loadscope-reorder")

CHECKS = (
    ("ruff", "check", "."),
    ("ruff", "format", "--check", "."),
    ("mypy",),
    ("lint-imports",),
)

PIP = (str(BIN / "python"), "-m", "pip", "install", "--quiet", "--no-input", "--disable-pip-version-check")

# What the caller's shell may have set for another Python; PIP_* that say where packages come from stay.
FOREIGN = (
    *("PYTHONPATH", "PYTHONHOME", "PYTHONSTARTUP", "PYTHONUSERBASE", "PYTHONWARNINGS", "PYTHONOPTIMIZE"),
    *("PYTHONPLATLIBDIR", "PYTHONDONTWRITEBYTECODE", "PYTHONINSPECT"),
    *("VIRTUAL_ENV", "CONDA_PREFIX", "__PYVENV_LAUNCHER__"),
    *("PIP_USER", "PIP_TARGET", "PIP_PREFIX", "PIP_ROOT", "PIP_PYTHON", "PIP_DRY_RUN", "PYTEST_ADDOPTS"),
)


def main(arguments: list[str]) -> NoReturn:
    """Do what the first word says."""
    if sys.version_info < OLDEST:
        have = ".".join(map(str, sys.version_info[:3]))
        stop(f"farend needs Python {'.'.join(map(str, OLDEST))} or newer; {sys.executable} is {have}")
    word, rest = (arguments[0], arguments[1:]) if arguments else ("", [])
    if word == "test":
        if lacking := get(FOR_TESTS):
            stop(lacking)
        install("test")
        for check in CHECKS:
            say(" ".join(check))
            if code := subprocess.run([str(BIN / check[0]), *check[1:]], cwd=ROOT, env=environment()).returncode:
                sys.exit(code if code > 0 else 128 - code)
        say("pytest")
        os.chdir(ROOT)
        become([str(BIN / "python"), "-m", "pytest", *(rest or AT_ONCE)])
    if word == "bench":
        install("test")
        if lacking := get(FOR_BENCH):
            say(f"{lacking}; bench leaves its row out")
        # -P: a folder named tools where the caller stands is not ours.
        become([str(BIN / "python"), "-P", "-m", "tools.bench", *rest])
    if word == "lab":
        install("test")
        if lacking := get(FOR_LAB):
            say(f"{lacking}; lab says what it cannot try")
        become([str(BIN / "python"), "-P", "-m", "tools.lab", *rest])
    if word in ("fuzz", "evidence", "audit", "lock"):
        install("test")
        if extra := {"fuzz": "fuzz", "audit": "supply", "lock": "supply"}.get(word):
            also(extra)
        os.chdir(ROOT)
        command = {"fuzz": ["tests.fuzz.run"], "evidence": ["tools.evidence"]}.get(word, ["tools.supply", word])
        become([str(BIN / "python"), "-m", *command, *rest])
    if word in ("-h", "--help"):
        print(__doc__)
        sys.exit(0)
    if word and not word.startswith("-"):
        print(__doc__, file=sys.stderr)
        sys.exit(2)
    install("")
    become([str(BIN / "farend"), "demo", *arguments])


def install(extras: str) -> None:
    """Make .venv hold farend and these extras; nothing to do when it does."""
    # The lock is on this file, so that it needs no file of its own. The commands below inherit it: should this process be
    # killed, the next run still waits for a pip that lives on.
    with Path(__file__).open() as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            say("another run is installing; waiting for it")
            fcntl.flock(lock, fcntl.LOCK_EX)
        python, content = mark(extras)
        kept = STAMP.read_text().split() if STAMP.exists() and (BIN / "python").exists() else []
        # Who ran `test` once keeps its packages: they do not disturb the rest.
        if kept in ([python, content], [python, mark("test")[1]]):
            return
        began = time.monotonic()
        STAMP.unlink(missing_ok=True)
        if kept[:1] != [python]:
            make_venv(lock.fileno())
        say("installing farend and its packages" + (f", with those for {extras}" if extras else ""))
        why = "the packages could not be installed; pip says why above"
        if locked := locked_by(extras):
            quietly([*PIP, "--require-hashes", "--no-deps", "-r", str(locked)], lock.fileno(), why)
            quietly([*PIP, "--no-deps", "--no-build-isolation", "--editable", str(ROOT)], lock.fileno(), why)
            quietly(
                [str(BIN / "python"), "-m", "pip", "check"], lock.fileno(), f"{locked.name} lacks what pip says above"
            )
        else:
            place = f"{ROOT}[{extras}]" if extras else str(ROOT)
            quietly([*PIP, "--editable", place], lock.fileno(), why)
        STAMP.write_text(f"{python}\n{content}\n")
        say(f"installed in {time.monotonic() - began:.0f} s")


def locked_by(extras: str) -> Path | None:
    """The lock that holds here; None, and said why, where none does."""
    path = ROOT / LOCKS[extras]
    if sys.version_info[:2] != LOCKED or sys.platform != "linux":
        say(
            f"{path.name} is of Python {'.'.join(map(str, LOCKED))} on Linux: taking what pyproject.toml's ranges allow"
        )
    elif not path.exists() or path.read_text("utf-8").split("\n", 1)[0] != f"# {wanted()}":
        say(
            f"{path.name} is not of this pyproject.toml: taking what its ranges allow (tools/start.py lock makes it anew)"
        )
    else:
        return path
    return None


def wanted() -> str:
    """What says in a lock which pyproject.toml it is of: a hash over all that it asks for."""
    import tomllib  # not there in a Python that is too old

    asked = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    project = asked["project"]
    what = [asked["build-system"]["requires"], project["dependencies"], project["optional-dependencies"]["test"]]
    return f"for pyproject.toml {hashlib.sha256(repr(what).encode()).hexdigest()[:16]}"


def also(extra: str) -> None:
    """Install the packages of an extra that only one command needs; they are not in the locks."""
    import tomllib

    packages = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"][extra]
    with Path(__file__).open() as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        quietly([*PIP, *packages], lock.fileno(), f"{', '.join(packages)} could not be installed; pip says why above")


def make_venv(lock: int) -> None:
    """An empty .venv, whatever was there before."""
    if importlib.util.find_spec("ensurepip") is None:
        if lacking := apt(["python3-venv"], "this Python cannot make a venv (ensurepip is missing)"):
            stop(lacking)
        importlib.invalidate_caches()
        if importlib.util.find_spec("ensurepip") is None:
            stop(f"{sys.executable} still has no ensurepip; install the venv package of exactly this Python")
    say("making .venv")
    if VENV.is_symlink() or VENV.is_file():
        VENV.unlink()
    elif VENV.exists():
        shutil.rmtree(VENV)
    # Not sys.executable: that may be the very one in .venv that was just removed.
    python = getattr(sys, "_base_executable", sys.executable)
    quietly([python, "-I", "-m", "venv", str(VENV)], lock, "the venv could not be made; Python says why above")


def mark(extras: str) -> tuple[str, str]:
    """What .venv was made from: a hash over the Python and the place, and one over what is to be in it."""
    python = f"{sys.version} {sys.base_prefix} {ROOT}".encode()
    made_of = ("pyproject.toml", LOCKS[extras])
    content = extras.encode() + b"\0" + b"".join((ROOT / one).read_bytes() for one in made_of if (ROOT / one).exists())
    return hashlib.sha256(python).hexdigest(), hashlib.sha256(python + content).hexdigest()


def get(programs: dict[str, str]) -> str | None:
    """Install what is missing of these programs. Gives None, or a sentence that says what is missing and what to do."""
    missing = [
        program for program in programs if not (shutil.which(program) or any(Path("/").glob(program.lstrip("/"))))
    ]
    return apt(sorted({programs[one] for one in missing}), f"missing: {', '.join(missing)}") if missing else None


def apt(packages: list[str], why: str) -> str | None:
    """Install Debian packages. Gives None, or a sentence that says why that cannot be done here."""
    names = " ".join(packages)
    if not shutil.which("apt-get"):
        return f"{why}; install it with your system's packages (in Debian: {names})"
    if os.geteuid() != 0:
        return f"{why}; install it as root with: apt-get install {names}"
    # RUNLEVEL=1 keeps the packages from starting a service that nobody asked for.
    quiet = environment() | {"DEBIAN_FRONTEND": "noninteractive", "RUNLEVEL": "1"}
    say(f"installing the Debian package {names}")
    for command in (["apt-get", "update"], ["apt-get", "install", "-y", "--no-install-recommends", *packages]):
        done = subprocess.run(
            command, env=quiet, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
    if done.returncode:
        print(done.stdout, file=sys.stderr)
        return f"{why}; apt-get could not install {names}"
    return None


def quietly(command: list[str], lock: int, reason: str) -> None:
    """Run something whose output only matters when it fails."""
    done = subprocess.run(
        command,
        cwd=ROOT,
        env=environment(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        errors="replace",
        pass_fds=[lock],
    )
    if done.returncode:
        print(done.stdout, file=sys.stderr)
        stop(reason)


def environment() -> dict[str, str]:
    """The caller's environment without what belongs to another Python, and with .venv's programs first."""
    kept = {name: value for name, value in os.environ.items() if name not in FOREIGN}
    return kept | {"PATH": f"{BIN}{os.pathsep}{os.environ.get('PATH', os.defpath)}"}


def become(command: list[str]) -> NoReturn:
    """Turn into this command, so that its signals and its exit code are its own."""
    sys.stdout.flush()
    os.execve(command[0], command, environment())


def say(what: str) -> None:
    print(f"· {what}", file=sys.stderr, flush=True)


def stop(reason: str) -> NoReturn:
    print(f"start: {reason}", file=sys.stderr)
    sys.exit(1)


if __name__ == "__main__":
    try:
        main(sys.argv[1:])
    except KeyboardInterrupt:
        sys.exit(130)
