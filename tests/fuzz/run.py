"""The coverage-guided run over `targets.py`: `python3 tools/start.py fuzz [--seconds N] [--keep] [TARGET…]`.

Each target runs in a process of its own under atheris (libFuzzer), from the corpus that is kept: `corpus/TARGET.txt`, an
input a line, written as `raw` is. What it finds is shown and left in the folder that is named at the end; --keep puts what
reached more of the code into the corpus, the smallest inputs that do.
"""

import argparse
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import FrameType

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
CORPUS = HERE / "corpus"
MOST_BYTES = 4096  # of one input: a frame counts no more
PATIENCE = 10  # seconds that one input may take: longer is a find


def main() -> int:
    """Run what is asked for. 0 where nothing was found, 1 where something was."""
    sys.path[:0] = [str(ROOT)]
    from tests.fuzz.targets import TARGETS

    asked = argparse.ArgumentParser(prog="start.py fuzz", description=__doc__)
    asked.add_argument("--seconds", type=int, default=60, help="for each target (default 60)")
    asked.add_argument("--keep", action="store_true", help="put what reached more code into the kept corpus")
    asked.add_argument("targets", nargs="*", metavar="TARGET", help=", ".join(TARGETS))
    if sys.argv[1:2] == ["--one"]:  # the child: a target, and libFuzzer's own words
        _under_atheris(sys.argv[2], sys.argv[3:])
        return 0
    given = asked.parse_args()
    if strange := set(given.targets) - set(TARGETS):
        asked.error(f"no target {', '.join(sorted(strange))}; there are {', '.join(TARGETS)}")
    folder = Path(tempfile.mkdtemp(prefix="farend-fuzz-"))
    found = [_one(name, folder / name, given.seconds, given.keep) for name in given.targets or TARGETS]
    if any(found):
        print(f"what it found lies in {folder}; `python3 tests/fuzz/run.py --one TARGET FILE` plays it again")
    return int(any(found))


def read(name: str, kind: str = "txt") -> list[bytes]:
    """The kept corpus of a target, or its `words`."""
    from protocols.envelope import from_printable

    file = CORPUS / f"{name}.{kind}"
    return [from_printable(line) for line in file.read_text("ascii").splitlines()] if file.exists() else []


def _one(name: str, folder: Path, seconds: int, keep: bool) -> bool:
    """Fuzz one target; whether something was found."""
    (folder / "seeds").mkdir(parents=True)
    (folder / "grown").mkdir()
    for number, data in enumerate(read(name)):
        (folder / "seeds" / f"{number:04d}").write_bytes(data)
    words = read(name, "words")
    (folder / "words").write_text("".join(f'"{_escaped(word)}"\n' for word in words))
    child = [sys.executable, str(Path(__file__)), "--one", name]
    options = [f"-max_total_time={seconds}", f"-max_len={MOST_BYTES}", f"-timeout={PATIENCE}", "-rss_limit_mb=2048",
               f"-artifact_prefix={folder}/found-", *([f"-dict={folder}/words"] * bool(words))]  # fmt: skip
    with (folder / "log").open("wb") as log:
        code = subprocess.run(
            [*child, str(folder / "grown"), str(folder / "seeds"), *options], cwd=ROOT, stdout=log, stderr=log
        ).returncode
    told = (folder / "log").read_text(errors="replace")
    last = (re.findall(r"^#(\d+)\s.*?cov: (\d+) ft: (\d+).*", told, re.M) or [("0", "0", "0")])[-1]
    print(
        f"{name:<10} {last[0]:>9} inputs  {last[1]:>5} edges  {last[2]:>6} features  {'FOUND' if code else 'nothing'}"
    )
    if code:
        print(re.sub(r"^", "    ", told[-3000:], flags=re.M))
    elif keep:
        _keep(name, folder)
    return bool(code)


def _keep(name: str, folder: Path) -> None:
    """Keep what reaches a step from line to line that nothing smaller reaches."""
    from protocols.envelope import printable
    from tests.fuzz.targets import TARGETS

    tried = {one.read_bytes() for part in ("seeds", "grown") for one in (folder / part).iterdir()}
    reached: set[tuple[object, int, int]] = set()
    least = []
    for data in sorted(tried, key=lambda data: (len(data), data)):
        steps = _steps(TARGETS[name], data)
        if not steps <= reached:
            reached |= steps
            least.append(data)
    (CORPUS / f"{name}.txt").write_text("".join(f"{printable(data)}\n" for data in least), "ascii")


def _steps(target: Callable[[bytes], None], data: bytes) -> set[tuple[object, int, int]]:
    """From which line to which it went, in our own code."""
    steps: set[tuple[object, int, int]] = set()
    ours = tuple(str(ROOT / part) for part in ("protocols", "receiver"))

    def entered(frame: FrameType, _: str, __: object) -> object:
        if not frame.f_code.co_filename.startswith(ours):
            return None
        last = 0

        def went(frame: FrameType, event: str, _: object) -> object:
            nonlocal last
            if event == "line":
                steps.add((frame.f_code, last, frame.f_lineno))
                last = frame.f_lineno
            return went

        return went

    sys.settrace(entered)
    try:
        target(data)
    finally:
        sys.settrace(None)
    return steps


def _escaped(word: bytes) -> str:
    return "".join(f"\\x{byte:02X}" for byte in word)


def _under_atheris(name: str, rest: list[str]) -> None:
    import atheris

    for module in [one for one in sys.modules if one.split(".")[0] in ("protocols", "receiver", "tests", "tomllib")]:
        del sys.modules[module]  # only what is imported under it is watched
    with atheris.instrument_imports(include=["protocols", "receiver", "tomllib"]):
        from tests.fuzz.targets import TARGETS
    atheris.Setup([sys.argv[0], *rest], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    sys.exit(main())
