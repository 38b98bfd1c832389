"""The supply chain: what farend is made of, pinned with hashes, and looked up for what is known to be wrong with it.

    python3 tools/start.py lock         writes requirements.lock and requirements-test.lock anew, from pyproject.toml
    python3 tools/start.py audit        looks up every pinned package in the advisory database

The locks name no registry: a hash says which file is meant, wherever it comes from. They are of one Python on one kind of
system (`start.py` says which); elsewhere the ranges of pyproject.toml hold.
"""

import json
import subprocess
import sys
from pathlib import Path

from tools.start import LOCKS, ROOT, wanted

PIP_COMPILE = (
    *(
        "pip-compile",
        "--quiet",
        "--generate-hashes",
        "--strip-extras",
        "--allow-unsafe",
        "--no-annotate",
        "--no-header",
    ),
    *("--no-emit-index-url", "--no-emit-find-links", "--no-emit-trusted-host", "--no-emit-options"),
    *("--build-deps-for", "editable"),  # so that nothing is fetched to install farend itself
)


def lock(arguments: list[str]) -> int:
    """Write both locks: what is pinned already stays, unless --upgrade is given."""
    for extras, name in LOCKS.items():
        path = ROOT / name
        extra = ["--extra", extras] if extras else []
        subprocess.run([*PIP_COMPILE, *extra, *arguments, "-o", str(path), "pyproject.toml"], cwd=ROOT, check=True)
        pins = [line for line in path.read_text("utf-8").splitlines() if line and not line.startswith("#")]
        path.write_text("\n".join((f"# {wanted()}", *pins, "")), "utf-8")
        print(f"{name}: {path.read_text('utf-8').count('==')} packages")
    return 0


def audit(arguments: list[str]) -> int:
    """0 where every package was looked up and nothing is known, 1 where something is, 2 where one could not be looked up."""
    command = ["pip-audit", "--require-hashes", "--disable-pip", "--format", "json", "--progress-spinner", "off"]
    done = subprocess.run(
        [*command, *arguments, "-r", str(ROOT / LOCKS["test"])],
        cwd=ROOT,
        capture_output=True,
        text=True,
        errors="replace",
    )
    return told(done.stdout, done.stderr)


def told(found: str, errors: str) -> int:
    """Say what pip-audit found. What it skipped was not looked up, though pip-audit itself counts that as good."""
    try:
        packages = json.loads(found)["dependencies"]
    except (ValueError, KeyError):
        last = (errors.strip() or "it said nothing").splitlines()[-1]
        print(f"NOT AUDITED: pip-audit got no answer: {last}", file=sys.stderr)
        print("It needs a network that reaches the advisory database; nothing was looked up.", file=sys.stderr)
        return 2
    unknown = [one for one in packages if "skip_reason" in one or "vulns" not in one]
    wrong = [(one, fault) for one in packages for fault in one.get("vulns", ())]
    for one, fault in wrong:
        mended = ", ".join(fault["fix_versions"]) or "no release yet"
        print(f"✗ {one['name']} {one['version']}: {fault['id']}; mended in {mended}")
    if unknown or not packages:
        names = ", ".join(one["name"] for one in unknown[:5]) + (" …" if len(unknown) > 5 else "")
        print(
            f"NOT AUDITED: {len(unknown)} of {len(packages)} packages could not be looked up ({names})", file=sys.stderr
        )
        print("Where no network reaches the advisory database, this says nothing about them.", file=sys.stderr)
    else:
        print(f"{len(packages)} packages looked up; {len(wrong) or 'no'} known faults")
    return 1 if wrong else 2 if unknown or not packages else 0


if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parent.parent)]
    sys.exit({"lock": lock, "audit": audit}[sys.argv[1]](sys.argv[2:]))
