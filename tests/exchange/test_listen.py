"""`warmhold exchange listen`: who may be listened to, what is said, how it ends."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from exchange.hl7_messages import HEAD, OBR, head, message, obx
from warmhold.cli import main
from warmhold.cli.exchanging.listen import command, zones_of
from warmhold.exchange.hl7.listener import framed
from warmhold.exchange.inbox import Inbox


@pytest.mark.parametrize(
    ("given", "why"),
    [
        (["--host", "0.0.0.0"], "add --open-to-network"),
        (["--host", "0.0.0.0", "--allow", "10.1.2.3"], "add --open-to-network"),
        (["--host", "10.1.2.3", "--open-to-network"], "needs --allow"),
        (["--host", "::", "--open-to-network", "--allow", "somewhere"], "--allow somewhere"),
        (["--host", "::", "--open-to-network", "--allow", "10.1.2.3/28"], "--allow 10.1.2.3/28"),
        (["--open-to-network"], "this computer alone"),
        (["--allow", "10.1.2.3"], "this computer alone"),
        (["--zone", "Atlantis/Deep"], "no zone"),
        (["--zone", "=UTC"], "no sender"),
        (["--zone", "UTC", "--zone", "+01:00"], "stated twice"),
        (["--zone", "A=UTC", "--zone", "A=+01:00"], "stated twice"),
        (["--port", "70000"], "port"),
        (["--saturation-at", "ear"], "saturation-at"),
    ],
)
def test_what_cannot_be_meant_is_refused_before_anything_is_opened(
    tmp_path: Path, given: list[str], why: str
) -> None:
    folder = tmp_path / "record"
    done = CliRunner().invoke(command, [*given, "--folder", str(folder)])
    assert done.exit_code == 2
    assert why in done.output
    assert not folder.exists()


def test_every_fault_of_the_call_is_said_at_once(tmp_path: Path) -> None:
    given = ["--host", "0.0.0.0", "--allow", "here", "--allow", "there", "--zone", "X", "--zone",
             "A=Y", "--folder", str(tmp_path / "record")]  # fmt: skip
    said = CliRunner().invoke(command, given).output
    for fault in ("--allow here", "--allow there", "--open-to-network", "'X' is no", "'Y' is no"):
        assert fault in said


def test_zones_are_stated_for_all_or_for_one_sender() -> None:
    zones = zones_of(("+01:00", "BEDSIDE=UTC", "A=B=Europe/Oslo"))
    assert str(zones.of("anything")) == "UTC+01:00"
    assert str(zones.of("BEDSIDE")) == "UTC"
    assert str(zones.of("A=B")) == "Europe/Oslo"
    assert zones_of(()).of("BEDSIDE") is None
    with pytest.raises(click.UsageError, match="no zone"):
        zones_of(("BEDSIDE=",))


def test_a_port_that_is_taken_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = str(other.getsockname()[1])
        exit_code = main.run(["exchange", "listen", "--port", port, "--folder", str(tmp_path)])
    assert exit_code == 2
    assert f"could not listen on 127.0.0.1, port {port}" in capsys.readouterr().err


def test_a_folder_without_a_record_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = str(other.getsockname()[1])
        for way in (["listen"], ["lines", "--source", "rig"]):
            main.run(["exchange", *way, "--port", port, "--folder", str(tmp_path)])
            assert f"{tmp_path} holds no record yet" in capsys.readouterr().err
            (tmp_path / "record.sqlite").touch()
            main.run(["exchange", *way, "--port", port, "--folder", str(tmp_path)])
            assert "no record yet" not in capsys.readouterr().err
            (tmp_path / "record.sqlite").unlink()


@pytest.mark.parametrize("refused", [False, True])
def test_it_says_what_came_and_ends_on_ctrl_c(tmp_path: Path, refused: bool) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "warmhold", "exchange", "listen", "--folder", str(tmp_path),
         "--port", "0", "--zone", "+01:00"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )  # fmt: skip
    try:
        assert process.stdout is not None
        port = int(process.stdout.readline().split("port ")[1].split(".")[0])
        with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
            line.sendall(framed(message(HEAD, OBR, obx(obx_14="20260114030500"))))
            assert b"MSA|AA|M1" in line.recv(10_000)
            if refused:
                line.sendall(framed(message(head(msh_9="ADT^A01"), OBR)))
                assert b"MSA|AR|M1" in line.recv(10_000)
            process.send_signal(signal.SIGINT)  # while the connection is still open
            out, err = process.communicate(timeout=20)
    finally:
        process.kill()
        process.wait()
    assert [line for line in err.splitlines() if "no record yet" not in line] == []
    assert "First message from BEDSIDE 2" in out
    assert f"Ended: 1 taken, 0 repeated, {int(refused)} refused and kept." in out
    assert process.returncode == (1 if refused else 0)
    with Inbox(tmp_path, warn=lambda text: None) as inbox:
        assert len(list(inbox.after(0))) == 1 + refused
