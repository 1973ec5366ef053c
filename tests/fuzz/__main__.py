"""Fuzz one target or all: `python -m tests.fuzz [TARGET...] [--seconds N] [--keep DIR]`; needs the library atheris.

Each target runs in a process of its own, two at a time. What ends one, or takes longer than 20 seconds or 1 GB, is
written to tests/fuzz/corpus/TARGET/, where tests/test_fuzz.py replays it. Exit status 1 if anything was found. `--keep`
holds what is learnt of paths through the code from run to run.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import subprocess
import sys
import tempfile
from base64 import b64encode
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

NAMES: Final = ("space", "firmware", "words", "registry", "capture", "log", "sheet", "note", "redaction")
LONGEST: Final = 65_536  # bytes of an input
SLOWEST: Final = 20  # seconds
MEMORY: Final = 1024  # MB


def one(name: str, libfuzzer: Sequence[str]) -> None:
    """Fuzz a target in this process, until libFuzzer ends it."""
    atheris: Any = importlib.import_module("atheris")

    with atheris.instrument_imports(include=["agent", "probes", "knowledge"]):
        from tests.fuzz.targets import tried

    def test(data: bytes) -> None:
        tried(name, data)

    atheris.Setup([sys.argv[0], *libfuzzer], test)
    atheris.Fuzz()


def fuzzed(name: str, seconds: int, kept: Path | None) -> bool:
    """Fuzz a target for so long; whether nothing was found."""
    from tests.fuzz.targets import CORPUS, TARGETS

    with tempfile.TemporaryDirectory() as folder:
        seeds = Path(folder) / "seeds"
        seeds.mkdir()
        for number, seed in enumerate(TARGETS[name].seeds()):
            (seeds / str(number)).write_bytes(seed)
        learnt = seeds if kept is None else kept / name
        learnt.mkdir(parents=True, exist_ok=True)
        found = CORPUS / name
        found.mkdir(parents=True, exist_ok=True)
        before = set(found.iterdir())
        options = [
            *(f"-max_total_time={seconds}", f"-max_len={LONGEST}", f"-timeout={SLOWEST}", f"-rss_limit_mb={MEMORY}"),
            *(f"-artifact_prefix={found}/", "-print_final_stats=1", str(learnt), str(seeds)),
        ]
        ended = subprocess.run(
            [sys.executable, "-m", "tests.fuzz", "--one", name, "--", *options],
            check=False,
            capture_output=True,
            text=True,
            errors="replace",
        )
        artefacts = [path for path in found.iterdir() if path not in before]
        if not any(found.iterdir()):
            found.rmdir()
    figures = [line for line in ended.stderr.splitlines() if line.startswith("stat::number_of_executed_units")]
    print(f"{name}: {'nothing found' if ended.returncode == 0 else 'FOUND SOMETHING'}; {' '.join(figures)}", flush=True)
    if ended.returncode:
        print("\n".join(ended.stderr.splitlines()[-40:]), flush=True)
    for path in artefacts:  # where this folder does not stay, as in a copy of the checkout, the input is not lost
        print(f"{path.name}, base64: {b64encode(path.read_bytes()).decode()}", flush=True)
    return ended.returncode == 0


def main() -> int:
    """Fuzz what is named; the exit status."""
    asked = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    asked.add_argument("names", nargs="*", metavar="TARGET", help=f"of {', '.join(NAMES)}; all without")
    asked.add_argument("--seconds", type=int, default=60)
    asked.add_argument("--keep", type=Path)
    asked.add_argument("--one", action="store_true", help=argparse.SUPPRESS)
    words = sys.argv[1:]
    rest = words[words.index("--") + 1 :] if "--" in words else []
    given = asked.parse_args(words[: words.index("--")] if "--" in words else words)
    unknown = sorted({*given.names} - {*NAMES})
    if unknown:
        asked.error(f"there is no target {', '.join(unknown)}; there are {', '.join(NAMES)}")
    if given.one:
        one(given.names[0], rest)
        return 0
    if importlib.util.find_spec("atheris") is None:
        print("The library atheris is not here, so nothing is fuzzed: pip install -e '.[fuzz]'")
        return 0
    with ThreadPoolExecutor(2) as pool:
        well = list(pool.map(lambda name: fuzzed(name, given.seconds, given.keep), given.names or NAMES))
    return 0 if all(well) else 1


if __name__ == "__main__":
    sys.exit(main())
