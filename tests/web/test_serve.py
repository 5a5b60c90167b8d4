"""`warmhold serve` as a person types it."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import httpx
import pytest
from click.testing import CliRunner

from warmhold.cli.commands.serve import command
from warmhold.web.access import Passcodes
from web.serving import ROOT, free_port

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT / "src"), "PYTHONUNBUFFERED": "1"}


def begin(*arguments: str, **environment: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "warmhold", "serve", *arguments],
        env={**ENVIRONMENT, **environment},
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip


def test_it_serves_on_this_computer_says_where_and_ends_when_asked(tmp_path: Path) -> None:
    port, opened = free_port(), tmp_path / "opened"
    opener = tmp_path / "browser.sh"
    opener.write_text(f'#!/bin/sh\nprintf %s "$1" > {opened}\n')
    opener.chmod(0o755)
    home = {"HOME": str(tmp_path), "BROWSER": str(opener)}
    process = begin("--browser", "--port", str(port), **home)
    try:
        for _ in range(300):
            try:
                answer = httpx.get(f"http://127.0.0.1:{port}/", follow_redirects=True)
                break
            except httpx.TransportError:
                time.sleep(0.1)
        assert "Who charts?" in answer.text
        second = begin("--folder", str(tmp_path / "other"), "--port", str(port))
        said, _ = second.communicate(timeout=60)
        assert second.returncode == 2
        assert "could not listen" in said
        assert "--port" in said
    finally:
        process.terminate()
        said, _ = process.communicate(timeout=30)
    assert f"http://127.0.0.1:{port}/" in said
    assert "Traceback" not in said
    assert opened.read_text() == f"http://127.0.0.1:{port}/"
    verify = subprocess.run(  # looks in the same place when no folder is named
        [sys.executable, "-m", "warmhold", "record", "verify"],
        env={**ENVIRONMENT, **home}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert verify.returncode == 0, verify.stdout + verify.stderr
    assert str(tmp_path / ".local/share/warmhold/record.sqlite") in verify.stdout


def run(*arguments: str, typed: str = "") -> tuple[int, str]:
    result = CliRunner().invoke(command, list(arguments), input=typed)
    return result.exit_code, result.output


@pytest.fixture
def no_server(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a server was started")

    monkeypatch.setattr("uvicorn.Server.run", refuse)


@pytest.mark.usefixtures("no_server")
def test_beyond_this_computer_it_refuses_without_a_passcode(tmp_path: Path) -> None:
    status, said = run("--folder", str(tmp_path), "--host", "0.0.0.0", typed="\n\n\n")
    assert status == 2
    assert "Without a passcode" in said
    assert not (tmp_path / "passcodes.json").exists()


@pytest.mark.usefixtures("no_server")
@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('chart = "abc"', "characters"),
        ('look = "long enough"', "chart or lead"),
        ('nurse = "long enough"', "not nurse"),
        ("", "lines such as"),
        ("chart = ", "passcode-file"),
        ('chart = "the same one"\nlead = "the same one"', "same passcode"),
    ],
)
def test_a_faulty_file_of_passcodes_is_named(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "codes.toml"
    file.write_text(text)
    status, said = run("--folder", str(tmp_path / "r"), "--passcode-file", str(file))
    assert status == 2
    assert says in said
    assert not (tmp_path / "r" / "passcodes.json").exists()


@pytest.mark.usefixtures("no_server")
def test_a_trip_that_does_not_ship_cannot_be_rehearsed(tmp_path: Path) -> None:
    status, said = run("--folder", str(tmp_path), "--rehearse", "summer-road")
    assert status == 2
    assert "winter-road" in said


@pytest.mark.usefixtures("no_server")
def test_a_rehearsal_takes_no_folder_of_yours(tmp_path: Path) -> None:
    status, said = run("--folder", str(tmp_path / "mine"), "--rehearse", "winter-road")
    assert status == 2
    assert "folder of its own" in " ".join(said.split())
    assert not (tmp_path / "mine").exists()


@pytest.mark.usefixtures("no_server")
def test_passcodes_that_cannot_be_read_stop_the_start(tmp_path: Path) -> None:
    (tmp_path / "passcodes.json").write_text("{")
    status, said = run("--folder", str(tmp_path))
    assert status == 1
    assert "passcodes.json" in said


def test_passcodes_typed_on_the_terminal_are_kept_as_hashes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("uvicorn.Server.run", lambda server: setattr(server, "started", True))
    typed = "\n" + "foxes chart\nfoxes chart\n" + "\n"
    status, said = run("--folder", str(tmp_path), "--host", "0.0.0.0", typed=typed)
    assert status == 0, said
    assert "foxes" not in said
    assert "without https" in said
    assert Passcodes(tmp_path).role_for("foxes chart") == "chart"
    assert Passcodes(tmp_path).roles == ("chart",)
