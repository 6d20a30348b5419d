"""The rooms and who may import whom; a rule broken here is a rule broken for everyone."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "eo_risk"
MODULES = sorted(PACKAGE.rglob("*.py"))
NETWORK = {"socket", "urllib", "http", "requests", "ftplib", "smtplib", "ssl"}


def imports(path: Path) -> set[str]:
    """Every module a file imports anywhere, as dotted names."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def tops(path: Path) -> set[str]:
    return {name.partition(".")[0] for name in imports(path)}


def own(path: Path) -> set[str]:
    """What a file imports of this package, shortened to room.module or module."""
    names = set()
    for name in imports(path):
        if name.startswith("eo_risk."):
            parts = name.split(".")[1:]
            inside = (PACKAGE / parts[0]).is_dir() and len(parts) > 1
            names.add(".".join(parts[:2]) if inside else parts[0])
    return names


def rooms(path: Path) -> set[str]:
    return {name.partition(".")[0] for name in own(path)}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_the_library_knows_no_front_end_and_no_network(path):
    assert not {"streamlit", "altair", "ui"} & tops(path)
    assert not NETWORK & tops(path)


def test_the_front_end_computes_nothing():
    for path in (ROOT / "ui").rglob("*.py"):
        assert not {"physics", "reference"} & rooms(path), path


@pytest.mark.parametrize("path", sorted((PACKAGE / "physics").glob("*.py")), ids=lambda p: p.stem)
def test_physics_knows_numbers_only(path):
    allowed = {"numpy", "scipy", "eo_risk", "__future__", "dataclasses", "collections", "typing",
               "functools", "math", "concurrent", "itertools", "os",
               "threading"}  # fmt: skip
    assert tops(path) <= allowed
    extra = {"reference", "errors"} if path.stem == "properties" else set()
    assert rooms(path) <= {"units", "physics"} | extra


def test_only_the_reader_opens_the_reference_folder():
    for path in MODULES:
        if path.name == "reference.py":
            continue
        text = path.read_text(encoding="utf-8")
        assert '/ "reference"' not in text, path


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_tables_come_in_through_few_doors(path):
    if "pandas" in tops(path):
        assert path.parent.name in ("measured", "output") or path.name == "tables.py"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_data_flows_one_way(path):
    """plan and physics know no judgement, judgement no output, output no command."""
    later = {
        "plan": {"judgement", "measured", "output", "commands"},
        "physics": {"plan", "judgement", "measured", "output", "commands"},
        "judgement": {"measured", "output", "commands"},
        "measured": {"output", "commands", "plan"},
        "output": {"commands", "measured", "physics"},
    }
    room = path.relative_to(PACKAGE).parts[0]
    assert not later.get(room, set()) & rooms(path)


def test_no_module_imports_itself_by_a_detour():
    modules = {".".join(path.relative_to(ROOT).with_suffix("").parts): path for path in MODULES}
    left = {}
    for name, path in modules.items():
        found = imports(path)
        # What is imported may be a module, or a name in one.
        found |= {imported.rpartition(".")[0] for imported in found}
        left[name] = found & modules.keys() - {name}
    while free := {name for name, needed in left.items() if not needed & left.keys()}:
        left = {name: needed for name, needed in left.items() if name not in free}
    assert not left, f"a circle among these: {sorted(left)}"


def test_only_the_command_line_prints():
    for path in MODULES:
        if path.parent.name == "commands" or path.name in ("cli.py", "__main__.py"):
            continue
        calls = {
            node.func.id
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
        }
        assert not {"print", "exit"} & calls, path


def test_no_clock_inside_the_library():
    for path in MODULES:
        if path.parent.name == "commands" or path.name == "cli.py":
            continue
        text = path.read_text(encoding="utf-8")
        for call in ("datetime.now", "time.time(", "date.today", "utcnow"):
            assert call not in text, (path, call)


def test_nothing_claims_what_the_tool_may_not_claim():
    words = ("is safe", "are safe", "safe to use", "released for use", "compliant with")
    folders = [PACKAGE, ROOT / "ui", ROOT / "reference"]
    for path in (p for folder in folders for p in folder.rglob("*") if p.is_file()):
        if path.suffix in (".py", ".toml", ".csv", ".md"):
            text = path.read_text(encoding="utf-8").lower()
            assert not [w for w in words if w in text], path


def test_help_is_light():
    """`eo-risk --help` imports no large package, nor the records that need one."""
    import subprocess
    import sys

    code = (
        "import sys, contextlib, io\n"
        "from eo_risk.cli import main\n"
        "with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):\n"
        "    main(['--help'])\n"
        "heavy = {'scipy', 'pandas', 'streamlit', 'numpy', 'pydantic'} & set(sys.modules)\n"
        "sys.exit(1 if heavy else 0)\n"
    )
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=False).returncode == 0
