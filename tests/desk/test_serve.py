"""What keeps the desk from opening is said, with what mends it."""

import socket
import sys

import pytest

from tests.tiny import command


@pytest.mark.parametrize("name", ["nicegui", "uvicorn", "tomlkit"])
def test_without_the_extra_the_one_command_that_installs_it_is_said(tmp_path, monkeypatch, name):
    for module in [module for module in sys.modules if module.startswith("vidspeed.desk")]:
        monkeypatch.delitem(sys.modules, module)
    monkeypatch.setitem(sys.modules, name, None)
    said = command("desk", tmp_path, "--no-browser")
    assert said.status == 1 and said.out == ""
    assert said.err.splitlines() == [
        "vidspeed desk needs packages that are not installed; pip install 'vidspeed[desk]'"
    ]


def test_a_folder_that_is_not_there_is_not_made(tmp_path):
    said = command("desk", tmp_path / "low-mor", "--no-browser")
    assert said.status == 1 and "no session.toml there" in said.err
    assert not (tmp_path / "low-mor").exists()


def test_a_port_that_is_taken_is_said(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        said = command("desk", tmp_path, "--no-browser", "--port", taken.getsockname()[1])
    assert said.status == 1 and "leave --port out" in said.err
