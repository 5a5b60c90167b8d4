"""What the project promises about itself: documented commands and keys, sourced numbers."""

from __future__ import annotations

import importlib
import re
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pydantic
import pytest

ROOT = Path(__file__).parents[1]
DATA = ROOT / "src" / "warmhold" / "data"

# Words that say where a number comes from: policy and tables, and unit files.
MARKS = {"verified", "memory", "practice", "derived", "own"}
PROVENANCE = {"measured", "manual", "published", "assumed"}

# Plain numbers that need no source: versions of a layout, counts that can be read off the unit,
# its age, the bounds that sort the rows of a table, and how early a reminder comes.
PLAIN = {"format", "packs", "bar_divisions", "age_years", "below_weeks", "soon_days"}


def documented() -> str:
    """Everything a user reads, as one text."""
    pages = [ROOT / "README.md", *sorted((ROOT / "docs").glob("**/*.md"))]
    return "\n".join(page.read_text(encoding="utf-8") for page in pages)


def committed_files() -> list[Path]:
    """Files that are under version control, or all of them when there is no git here."""
    try:
        found = subprocess.run(
            ["git", "-c", "safe.directory=*", "ls-files", "-z"],
            cwd=ROOT,
            capture_output=True,
            check=True,
            text=True,
        ).stdout
        names = [name for name in found.split("\0") if name]
    except (OSError, subprocess.CalledProcessError):
        skip = {".venv", ".git", "out", "build", "dist"}
        names = [
            str(path.relative_to(ROOT))
            for path in ROOT.rglob("*")
            if path.is_file()
            and not any(
                part in skip or part.endswith(("_cache", ".egg-info", "__pycache__"))
                for part in path.relative_to(ROOT).parts
            )
        ]
    return [ROOT / name for name in names if (ROOT / name).is_file()]


def texts() -> Iterator[tuple[Path, str]]:
    for path in committed_files():
        try:
            yield path, path.read_text(encoding="utf-8")
        except UnicodeDecodeError:  # a picture
            continue


# --- commands and options -------------------------------------------------------------------


def commands() -> list[tuple[str, click.Command]]:
    """Every command of warmhold with its words, groups included."""
    module = importlib.import_module("warmhold.cli.main")
    found: list[tuple[str, click.Command]] = []

    def walk(words: str, command: click.Command) -> None:
        found.append((words, command))
        if isinstance(command, click.Group):
            context = click.Context(command)
            for name in command.list_commands(context):
                inner = command.get_command(context, name)
                assert inner is not None, name
                walk(f"{words} {name}", inner)

    walk("warmhold", module.cli)
    return found


def undocumented(entries: list[tuple[str, click.Command]], text: str) -> list[str]:
    """Commands and options that the text does not name."""
    missing = []
    for words, command in entries:
        if not re.search(rf"{re.escape(words)}\b", text):
            missing.append(words)
        for parameter in command.params:
            if isinstance(parameter, click.Option) and not parameter.hidden:
                long = [name for name in parameter.opts if name.startswith("--")]
                if not any(re.search(rf"{re.escape(name)}(?![\w-])", text) for name in long):
                    missing.append(f"{words} {' / '.join(parameter.opts)}")
    return missing


def test_every_command_and_option_is_documented() -> None:
    found = commands()
    assert len(found) > 1, "no commands found: this check would pass on nothing"
    assert undocumented(found, documented()) == []


def test_the_check_of_commands_can_fail() -> None:
    option = click.Option(["--far"])
    entries = [("warmhold fly", click.Command("fly", params=[option]))]
    assert undocumented(entries, "warmhold plan --farther") == [
        "warmhold fly",
        "warmhold fly --far",
    ]
    assert undocumented(entries, "warmhold fly --far FILE") == []


# --- keys of the data files -----------------------------------------------------------------


def keys_of(node: Any) -> set[str]:
    """All keys of a TOML document, at every depth."""
    if isinstance(node, dict):
        return set(node).union(*(keys_of(value) for value in node.values()))
    if isinstance(node, list):
        return set().union(*(keys_of(value) for value in node))
    return set()


def commented_keys(text: str) -> set[str]:
    """Optional keys that a shipped file shows commented out, such as ``# health = { ... }``."""
    return set(re.findall(r"^#\s+([a-z][a-z0-9_]*)\s+=\s", text, flags=re.MULTILINE))


def shipped(kind: str) -> list[Path]:
    found = sorted((DATA / kind).glob("**/*.toml"))
    assert found, f"no shipped {kind}"
    return found


# Tables of a trip that the README lists as its parts.
HEADINGS = {"baby", "start", "leg", "delay", "supplies"}

# Fields of the typed inputs that no file states.
WORKED_OUT = {"offset"}  # of the local clock, read out of the time itself


def test_every_part_of_a_trip_is_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [part for part in sorted(HEADINGS) if f"[{part}]" not in readme] == []


def test_every_shipped_trip_is_in_the_readme() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [path.stem for path in shipped("trips") if f"`{path.stem}`" not in readme] == []


@pytest.mark.parametrize("kind", ["units", "policies", "trips"])
def test_every_key_of_a_shipped_file_is_in_the_nomenclature(kind: str) -> None:
    page = (ROOT / "docs" / "nomenclature.md").read_text(encoding="utf-8")
    explained = set(re.findall(r"`([a-z0-9_-]+)`", page))
    for path in shipped(kind):
        text = path.read_text(encoding="utf-8")
        keys = keys_of(tomllib.loads(text)) | commented_keys(text)
        keys -= HEADINGS
        assert sorted(keys - explained) == [], path.name


@pytest.mark.parametrize("kind", ["unit", "policy", "trip"])
def test_every_key_that_a_file_may_have_is_in_the_nomenclature(kind: str) -> None:
    page = (ROOT / "docs" / "nomenclature.md").read_text(encoding="utf-8")
    explained = set(re.findall(r"`([a-z0-9_-]+)`", page))
    module = importlib.import_module(f"warmhold.model.{kind}")
    models = [
        value
        for value in vars(module).values()
        if isinstance(value, type)
        and issubclass(value, pydantic.BaseModel)
        and value.__module__ == module.__name__
    ]
    assert len(models) > 5
    keys = {
        field.alias or name
        for model in models
        for name, field in model.model_fields.items()
        if name not in WORKED_OUT
    }
    assert sorted(keys - HEADINGS - explained) == []


def test_every_margin_that_policy_asks_for_is_in_the_nomenclature() -> None:
    page = (ROOT / "docs" / "nomenclature.md").read_text(encoding="utf-8")
    for path in shipped("policies"):
        asked = tomllib.loads(path.read_text(encoding="utf-8"))["verdict"]["must_hold"]
        assert [key for key in asked if f"| `{key}` |" not in page] == [], path.name


# --- where numbers come from ----------------------------------------------------------------


def unmarked(node: Any, *, kind: str, where: str = "", covered: bool = False) -> list[str]:
    """Numbers without a word that says where they come from, as dotted names.

    A word covers the table that it stands in and everything below. Where the word is a mark, the
    source has to stand beside it.
    """
    word, allowed = ("provenance", PROVENANCE) if kind == "units" else ("mark", MARKS)
    if isinstance(node, dict):
        if word in node:
            covered = node[word] in allowed
            if word == "mark":
                covered = covered and bool(str(node.get("source", "")).strip())
        return [
            fault
            for key, value in node.items()
            if key not in PLAIN
            for fault in unmarked(value, kind=kind, where=f"{where}.{key}", covered=covered)
        ]
    if isinstance(node, list):
        return [
            fault
            for number, value in enumerate(node)
            for fault in unmarked(value, kind=kind, where=f"{where}[{number}]", covered=covered)
        ]
    is_number = isinstance(node, int | float) and not isinstance(node, bool)
    return [where.lstrip(".")] if is_number and not covered else []


@pytest.mark.parametrize("kind", ["units", "policies", "tables", "rounds"])
def test_every_shipped_number_says_where_it_comes_from(kind: str) -> None:
    for path in shipped(kind):
        document = tomllib.loads(path.read_text(encoding="utf-8"))
        assert unmarked(document, kind=kind) == [], path.name


@pytest.mark.parametrize(
    ("kind", "text", "expected"),
    [
        ("units", "[power]\nheater_w = 180", ["power.heater_w"]),
        ("units", "[power]\nw = { value = 1, provenance = 'guess' }", ["power.w.value"]),
        ("units", "[power]\nw = { value = 1, spread = 0, provenance = 'manual' }", []),
        ("policies", "[gas]\nfactor = { value = 2, mark = 'memory' }", ["gas.factor.value"]),
        ("policies", "[gas]\nfactor = { value = 2, mark = 'memory', source = 'a book' }", []),
        ("tables", "mark = 'memory'\nsource = 'a book'\nrows = [[1, 2], [3, 4]]", []),
        ("tables", "rows = [[1], [2]]", ["rows[0][0]", "rows[1][0]"]),
    ],
)
def test_the_check_of_sources_can_fail(kind: str, text: str, expected: list[str]) -> None:
    assert unmarked(tomllib.loads(text), kind=kind) == expected


# --- nothing of one machine -----------------------------------------------------------------

# Put together from pieces, so that this file does not find itself.
MACHINE_PATH = re.compile(
    r"(?<![\w.:/-])/(?:"
    + "|".join(["wo" + "rk", "ho" + "me", "ro" + "ot", "Us" + "ers", "t" + "mp"])
    + r")/"
    + r"|\b[A-Z]:\\|\bfile:///\w"
)
PACKAGE_HOST = re.compile(r"\b(?:" + "|".join(["py" + "pi", "python" + "hosted"]) + r")\.[a-z]{2,}")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("see /" + "home/ann/notes", True),
        ("C" + ":\\Data", True),
        ("https://example.org/" + "home/page", False),
        ("src/" + "work/x", False),
    ],
)
def test_the_check_of_paths_can_fail(text: str, found: bool) -> None:
    assert bool(MACHINE_PATH.search(text)) is found


def test_no_committed_text_names_one_machine_or_a_package_host() -> None:
    looked_at = 0
    faults = []
    for path, text in texts():
        looked_at += 1
        for number, line in enumerate(text.splitlines(), start=1):
            if MACHINE_PATH.search(line) or PACKAGE_HOST.search(line):
                faults.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}")
    assert looked_at > 10
    assert faults == []


# --- links and cautions ---------------------------------------------------------------------


@pytest.mark.parametrize("page", ["README.md", "ARCHITECTURE.md"])
def test_links_to_files_lead_somewhere(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    assert links
    assert [link for link in links if not (ROOT / link).is_file()] == []


def test_the_readme_carries_the_cautions_of_the_sheet() -> None:
    sheet = importlib.import_module("warmhold.plan.sheet")
    readme = " ".join((ROOT / "README.md").read_text(encoding="utf-8").replace("*", "").split())
    assert [text for text in sheet.CAUTIONS if text.rstrip(".") not in readme] == []


def test_every_make_target_in_the_readme_exists() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"(?:^|`)make ([a-z]+)", readme, flags=re.MULTILINE))
    assert named >= {"demo", "test", "bench"}
    assert [name for name in sorted(named) if f"\n{name}:" not in makefile] == []
