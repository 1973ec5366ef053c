"""Who may import whom, who may touch the outside, and what a start may load: the laws that a linter cannot see."""

from __future__ import annotations

import ast
import collections
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final

import networkx as nx
import pytest

from probes import FLOOR, PLATFORMS
from tests.build import Machine, build, capture_bytes, drive, root_port

if TYPE_CHECKING:
    from collections.abc import Iterator

HERE: Final = Path(__file__).resolve().parent.parent
PACKAGES: Final = ("agent", "knowledge", "probes")

# A module may import what stands to its right, never its left or its neighbour (modules of one step).
ARROWS: Final = (
    ("agent.cli",),
    ("agent.commands",),
    ("agent.output", "agent.proposals", "agent.child"),
    ("agent.report",),
    ("agent.soak", "agent.measure", "agent.compare", "agent.tally", "agent.planner", "agent.source", "agent.notebook"),
    ("agent.sheets", "agent.manual"),
    ("agent.audit", "agent.explain"),
    ("agent.advisor",),
    ("agent.rules",),
    ("agent.notes",),
    ("agent.model", "agent.toml", "agent.interrupt"),
    ("probes",),
    ("knowledge",),
)
# The program's own front door and its version belong to no step.
OUTSIDE_ARROWS: Final = frozenset({"agent", "agent.__main__"})

READS: Final = "probes.reads"
FILES: Final = "probes.files"
COMMANDS: Final = frozenset({"agent.cli", "agent.commands.soak"})
OUTPUT: Final = "agent.output"
SOAKLOG: Final = frozenset({f"probes.soaklog{part}" for part in ("", ".reading", ".schema", ".writing")})
BLOCKS: Final = "probes.blocks"
COMPARING: Final = "agent.commands.comparing"
COMPLETING: Final = "agent.commands.completing"
EXPLAINING: Final = "agent.commands.explaining"
FIRST_SHEET: Final = "agent.commands.first_sheet"
MANUAL_PAGES: Final = "agent.commands.manual_pages"
PLANNED: Final = "agent.commands.planned"
MEASURING: Final = "agent.commands.measuring"
TALLYING: Final = "agent.commands.tallying"
NOTING: Final = "agent.commands.noting"
REPORTING: Final = "agent.commands.reporting"
PAGE: Final = "agent.report.page"
POOL: Final = "agent.tally.pool"
FOLDERS: Final = "probes.folders"
CHILD: Final = "agent.child"
INTERRUPT: Final = "agent.interrupt"
REGISTRY: Final = "probes.registry"
TERMINAL: Final = frozenset(
    f"agent.report.{name}"
    for name in (
        "advice",
        "comparing",
        "explaining",
        "live",
        "manual",
        "measure_progress",
        "measuring",
        "noting",
        "paper",
        "planning",
        "sections",
        "soaking",
        "tally_text",
        "text",
    )
)
PLOT: Final = "agent.report.plot"

# Where each door to the outside stands. A name ends in "*" where everything below it is meant.
DOORS: Final = {
    "open": {READS, FILES},
    "io.open": set[str](),
    "io.FileIO": set[str](),
    "os.open": {READS, FILES, BLOCKS, *SOAKLOG},
    "os.fdopen": {FILES},
    "os.read": {READS, FILES},
    "os.pread": set[str](),
    "os.preadv": {BLOCKS},
    "os.posix_fadvise": {BLOCKS},
    "os.write": {FILES, INTERRUPT},
    "os._exit": {INTERRUPT},
    "os.listdir": {READS, FILES, *SOAKLOG},
    "os.scandir": {FOLDERS},
    "os.walk": set[str](),
    "os.readlink": {READS},
    "os.stat": {FILES, BLOCKS, *SOAKLOG},
    "os.link": {FILES},
    "os.replace": {FILES},
    "os.rename": set[str](),
    "os.unlink": {FILES, *SOAKLOG},
    "os.remove": set[str](),
    "os.mkdir": set[str](),
    "os.makedirs": SOAKLOG,
    "os.system": set[str](),
    "os.popen": set[str](),
    "os.environ": COMMANDS | {"agent.__main__"},
    "os.getenv": COMMANDS,
    "os.urandom": {FILES},
    "shutil.*": set[str](),
    "tempfile.*": set[str](),
    "glob.*": set[str](),
    "pathlib.*": set[str](),
    "mmap.*": {BLOCKS},
    "socket.*": set[str](),
    "subprocess.*": {CHILD, REGISTRY},
    "sqlite3.*": SOAKLOG,
    "multiprocessing.*": {POOL},
    "concurrent.*": {POOL},
    "random.*": set[str](),
    "ctypes.*": {READS},
    "fcntl.*": {READS},
    "pyudev.*": {READS},
    "psutil.*": {READS},
    "print": set[str](),
    "input": set[str](),
    "exit": set[str](),
    "sys.exit": COMMANDS,
    "sys.stdin": {FILES},
    "sys.stdout": {*COMMANDS, OUTPUT},
    "sys.stderr": COMMANDS,
    "time.*": COMMANDS,
    "datetime.datetime.now": set[str](),
    "click.*": {
        *COMMANDS,
        COMPARING,
        COMPLETING,
        EXPLAINING,
        FIRST_SHEET,
        MANUAL_PAGES,
        MEASURING,
        NOTING,
        PLANNED,
        REPORTING,
        TALLYING,
    },
    "rich.*": {OUTPUT, *TERMINAL},
    "matplotlib.*": {PLOT},
    "jinja2.*": {PAGE},
    "markupsafe.*": {PAGE},
}

# What `check --replay FILE --format json` does without, beyond what `import click, msgspec` brings along.
NOT_LOADED: Final = (
    "agent.child",
    "agent.commands.session",
    "agent.explain",
    "agent.notebook.learning",
    "agent.notebook.note_files",
    "agent.notes.matching",
    "agent.planner",
    "agent.report.plan_data",
    "agent.report.planning",
    "agent.commands",
    "agent.planner",
    "agent.report.text",
    "agent.sheets",
    "agent.soak",
    "concurrent.futures",
    "ctypes",
    "dataclasses",
    "gzip",
    "jinja2",
    "json",
    "knowledge.fieldnotes",
    "matplotlib",
    "numpy",
    "pathlib",
    "probes.darwin.collecting",
    "probes.darwin.cut",
    "probes.darwin.storage",
    "probes.darwin.functions",
    "probes.darwin.lists",
    "probes.darwin.values",
    "probes.redact",
    "probes.registry",
    "psutil",
    "pyudev",
    "rich",
    "shutil",
    "socket",
    "sqlite3",
    "subprocess",
    "tempfile",
    "tomlkit",
    "tomllib",
    "zlib",
)


# --- Reading the sources ---------------------------------------------------------------------------------------


def sources() -> dict[str, ast.Module]:
    """Every module of the program by its name, parsed."""
    found = {}
    for package in PACKAGES:
        for path in sorted((HERE / package).rglob("*.py")):
            parts = path.relative_to(HERE).with_suffix("").parts
            name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
            found[name] = ast.parse(path.read_text(encoding="utf-8"), str(path))
    return found


MODULES: Final = sources()


def imported(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Line and module of each import, those inside functions and for types alone included."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            for alias in node.names:
                longer = f"{node.module}.{alias.name}"
                yield node.lineno, longer if longer in MODULES else node.module


def step(module: str) -> int | None:
    """The place of a module in the arrows, 0 at the left; None for one that has none."""
    for place, neighbours in enumerate(ARROWS):
        if any(module == name or module.startswith(f"{name}.") for name in neighbours):
            return place
    return None


def family(module: str) -> str:
    """The entry of the arrows that a module belongs to."""
    return next(name for names in ARROWS for name in names if module == name or module.startswith(f"{name}."))


def used(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Line and full name of everything that a module takes from elsewhere: "os.open", "sys.exit", "open"."""
    known = {name: name for name in ("open", "print", "input", "exit")}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                known[alias.asname or alias.name.split(".")[0]] = (
                    alias.name if alias.asname else alias.name.split(".")[0]
                )
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom) and node.module is not None:
            for alias in node.names:
                known[alias.asname or alias.name] = f"{node.module}.{alias.name}"
                yield node.lineno, f"{node.module}.{alias.name}"
    for node in ast.walk(tree):
        name = _dotted(node, known)
        if name is not None:
            yield getattr(node, "lineno", 0), name


def _dotted(node: ast.AST, known: dict[str, str]) -> str | None:
    if isinstance(node, ast.Name):
        return known.get(node.id)
    if isinstance(node, ast.Attribute):
        before = _dotted(node.value, known)
        return None if before is None else f"{before}.{node.attr}"
    return None


def passes(name: str, door: str) -> bool:
    """Whether the name as used goes through the door."""
    if door.endswith(".*"):
        return name == door[:-2] or name.startswith(door[:-1])
    return name == door


# --- Laws ------------------------------------------------------------------------------------------------------


def test_every_module_has_a_place() -> None:
    """Every module of the program stands in the arrows, so that none is held by no law."""
    assert [name for name in MODULES if step(name) is None and name not in OUTSIDE_ARROWS] == []


@pytest.mark.parametrize("module", sorted(set(MODULES) - OUTSIDE_ARROWS))
def test_imports_go_one_way(module: str) -> None:
    """A module imports only what stands to its right in the arrows, or what belongs to its own family."""
    own = step(module)
    assert own is not None
    wrong = []
    for line, name in imported(MODULES[module]):
        other = step(name)
        if name.split(".")[0] not in PACKAGES or other is None or family(name) == family(module):
            continue
        if other <= own:
            wrong.append(f"line {line} imports {name}")
    assert wrong == []


def circles(arrows: dict[str, set[str]]) -> list[list[str]]:
    """Names that lead to each other, each circle in order; of an import, those for types alone count too."""
    graph = nx.DiGraph((one, other) for one, others in arrows.items() for other in others if one != other)
    return sorted(sorted(found) for found in nx.strongly_connected_components(graph) if len(found) > 1)


def is_package(module: str) -> bool:
    """Whether a module is a folder's face."""
    return (HERE / module.replace(".", "/")).is_dir()


def folder(module: str) -> str:
    """The package that a module stands in; what stands in `agent` itself stands for itself."""
    package = module if is_package(module) else module.rpartition(".")[0]
    return module if package == "agent" else package


def test_no_module_leads_back_to_itself() -> None:
    """Imports make no circle: not of modules, also inside a package, and not of packages."""
    arrows = {
        module: {name for _, name in imported(tree) if name in MODULES and name != module}
        for module, tree in MODULES.items()
    }
    assert sum(map(len, arrows.values())) > len(MODULES)
    assert circles(arrows) == []
    packages: dict[str, set[str]] = {}
    for module, others in arrows.items():
        packages.setdefault(folder(module), set()).update(map(folder, others))
    assert circles(packages) == []


def test_a_circle_is_found() -> None:
    """The search finds a circle of three, and none where arrows only meet."""
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"a", "d"}}) == [["a", "b", "c"]]
    assert circles({"a": {"b", "c"}, "b": {"d"}, "c": {"d"}}) == []


# What is of one platform stands in its own folder (`probes/platforms.py`); these modules of probes are its doors.
OF_A_PLATFORM: Final = ("probes.linux", "probes.darwin", "probes.registry", "probes.disk_table")


@pytest.mark.parametrize("module", sorted(name for name in MODULES if name.split(".")[0] != "probes"))
def test_no_platform_is_known_outside_the_probes(module: str) -> None:
    """What differs by platform is asked of its `Platform`; the commands alone ask which one this is, and hand it on."""
    tree = MODULES[module]
    wrong = [f"line {line} imports {name}" for line, name in imported(tree) if name.startswith(OF_A_PLATFORM)]
    if module not in COMMANDS:
        wrong += [f"line {line} uses {name}" for line, name in used(tree) if name in {"sys.platform", "os.uname"}]
    wrong += [
        f"line {node.lineno} compares a platform's name"
        for node in ast.walk(tree)
        if isinstance(node, ast.Compare)
        for side in (node.left, *node.comparators)
        if isinstance(side, ast.Constant) and side.value in PLATFORMS
    ]
    assert wrong == []


# Forms of unlike results, whose names are part of their schemas; and what a platform offers beside how one does it.
ALIKE_ON_PURPOSE: Final = frozenset({"LinkData", "StripeData", "LinkReader", "ErrorReader"})


def test_a_class_name_has_one_meaning() -> None:
    """No two modules have a public class of one name, and no three modules one file name."""
    named: dict[str, list[str]] = {}
    for module, tree in MODULES.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                named.setdefault(node.name, []).append(module)
    assert {name for name, modules in named.items() if len(modules) > 1} == ALIKE_ON_PURPOSE
    stems = collections.Counter(module.rpartition(".")[2] for module in MODULES if not is_package(module))
    assert [stem for stem, count in stems.items() if count > 2] == []


@pytest.mark.parametrize("module", sorted(MODULES))
def test_doors_to_the_outside_stand_where_they_should(module: str) -> None:
    """Files, devices, clocks, streams and exits are used only in the modules that are named for them."""
    wrong = [
        f"line {line} uses {name}"
        for line, name in used(MODULES[module])
        for door, allowed in DOORS.items()
        if passes(name, door) and module not in allowed
    ]
    assert wrong == []


@pytest.mark.parametrize("module", sorted(MODULES))
def test_path_objects_open_nothing(module: str) -> None:
    """No module reads or writes a file through a method that needs no import to be seen."""
    methods = {"read_text", "read_bytes", "write_text", "write_bytes", "iterdir", "rglob", "touch", "mkdir"}
    found = [
        f"line {node.lineno}: .{node.func.attr}()"
        for node in ast.walk(MODULES[module])
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in methods
    ]
    assert found == []


def test_the_readers_see_what_the_laws_forbid() -> None:
    """The readers of sources find a door behind an alias and inside a function, and a module inside a package."""
    tree = ast.parse(
        "import os as system\nfrom sys import exit as leave\ndef f():\n  system.open('x', 0)\n  leave(1)\n  open('y')"
    )
    assert {(4, "os.open"), (5, "sys.exit"), (6, "open")} <= set(used(tree))
    inside = ast.parse("def f():\n  from agent import audit\n  import agent.report.text")
    assert list(imported(inside)) == [(2, "agent.audit"), (3, "agent.report.text")]
    assert [step(name) for name in ("agent.cli", "agent.rules.links", "probes.linux.collecting")] == [0, 8, 11]


# --- Starts ----------------------------------------------------------------------------------------------------

LIST_MODULES: Final = """
import sys
import click, msgspec
brought = set(sys.modules)
from agent.cli import main
status = 0
try:
    main(sys.argv[1:])
except SystemExit as end:
    status = end.code or 0
print(status, *sorted(set(sys.modules) - brought), file=sys.stderr)
"""


def loaded(*arguments: str) -> tuple[int, list[str]]:
    """Run the program in a child process; its exit status, and the modules it loaded beyond click and msgspec."""
    done = subprocess.run(
        [sys.executable, "-c", LIST_MODULES, *arguments], cwd=HERE, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    status, *names = done.stderr.splitlines()[-1].split()
    return int(status), names


def machine() -> Machine:
    """A machine with one healthy drive."""
    return Machine(name="bench-1", buses={"0000:00": [root_port("01.0", (4, 4), [drive((4, 4))])]})


@pytest.fixture
def captured(tmp_path: Path) -> str:
    """A capture of that machine."""
    path = tmp_path / "capture.json"
    path.write_bytes(capture_bytes(build(machine())))
    return str(path)


def test_a_replay_to_json_loads_nothing_heavy(captured: str) -> None:
    """A check of a capture shown as JSON loads neither the terminal library nor what asks a live machine."""
    status, names = loaded("check", "--replay", captured, "--format", "json")
    assert status == 0
    assert "probes.linux.collecting" in names
    assert [name for name in names if any(passes(name, f"{heavy}.*") for heavy in NOT_LOADED)] == []


def test_a_replay_to_text_asks_nothing_of_the_host(captured: str) -> None:
    """A check of a capture shown as text loads the terminal library, but nothing that asks a live machine."""
    status, names = loaded("check", "--replay", captured)
    assert status == 0
    assert "rich.console" in names
    assert [name for name in ("psutil", "pyudev", "ctypes", "fcntl", "probes.redact") if name in names] == []


def test_a_root_asks_nothing_of_the_host(tmp_path: Path) -> None:
    """A check of the files below a directory loads nothing that would ask this machine in their place."""
    build(machine()).write_below(tmp_path)
    status, names = loaded("check", "--root", str(tmp_path), "--settle", "0", "--format", "json")
    assert status == 0
    assert [name for name in ("psutil", "pyudev", "ctypes", "fcntl", "rich") if name in names] == []


def test_no_foreign_platform_is_loaded(captured: str) -> None:
    """A live check and a replay load the module of their own platform and no other."""
    modules = {*PLATFORMS.values(), FLOOR}
    _, live = loaded("check", "--settle", "0", "--format", "json")
    _, replayed = loaded("check", "--replay", captured, "--format", "json")
    assert modules.intersection(live) == {PLATFORMS.get(sys.platform, FLOOR)}
    assert modules.intersection(replayed) == {PLATFORMS["linux"]}


DARWIN_CAPTURE: Final = str(HERE / "fixtures" / "tower-2-narrow-drive" / "capture.json")


def of_platform(names: list[str], platform: str) -> list[str]:
    """The modules among these that are for one platform alone."""
    own = {
        "linux": ("probes.linux", "probes.smbios"),
        "darwin": ("probes.darwin.collecting", "probes.registry"),
    }[platform]
    return [name for name in names if name.startswith(own)]


def test_linux_loads_nothing_of_darwin(captured: str) -> None:
    """A check of a Linux machine, from a capture or live, imports no part of the Darwin probe and starts no printer."""
    runs = [("check", "--replay", captured)]
    if sys.platform == "linux":
        runs.append(("check", "--settle", "0"))
    for words in runs:
        _, names = loaded(*words, "--format", "json")
        assert of_platform(names, "linux")
        assert of_platform(names, "darwin") == []
        assert "plistlib" not in names


def test_darwin_loads_nothing_of_linux() -> None:
    """A check of a Darwin machine from its capture imports no part of the Linux probe, and starts no printer either."""
    _, names = loaded("check", "--replay", DARWIN_CAPTURE, "--format", "json")
    assert "probes.darwin.collecting" in names
    assert [name for name in ("probes.registry", "subprocess", "psutil", "pyudev", "ctypes") if name in names] == []
    assert of_platform(names, "linux") == []


DARWIN_LIVE: Final = """
import sys
from probes import collect
from probes.reads import Live
facts = collect(Live(None, "darwin"))
print(len(facts.unread), *sorted(sys.modules))
"""


def test_a_live_darwin_machine_loads_nothing_of_linux() -> None:
    """Asked live, the Darwin probe loads the registry's door and nothing of the Linux probe."""
    done = subprocess.run([sys.executable, "-c", DARWIN_LIVE], cwd=HERE, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    names = done.stdout.split()
    assert "probes.registry" in names
    assert of_platform(names, "linux") == []
