"""An I/O side and a serial master written in C on libmodbus: built once, each its own process."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest


@pytest.fixture(autouse=True)
def runtime(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A directory for control sockets of this test's own, with a path short enough for one."""
    with tempfile.TemporaryDirectory(prefix="bc-", dir="/tmp") as name:
        monkeypatch.setenv("XDG_RUNTIME_DIR", name)
        yield Path(name)


SOURCE = Path(__file__).with_name("libmodbus_side.c")


@dataclass(slots=True)
class LibmodbusSide:
    """A running I/O side; `results` ends it and gives every product's true edge and every release."""

    process: subprocess.Popen[str]
    port: int

    def results(self) -> dict[str, Any]:
        """End the process and take what it printed: products (lead, raw) and releases (token, result, travel, raw)."""
        self.process.send_signal(signal.SIGTERM)
        out, _ = self.process.communicate(timeout=10)
        assert self.process.returncode == 0
        results: dict[str, Any] = json.loads(out)
        return results

    def open_interlock(self) -> None:
        """Open interlock 0."""
        self.process.send_signal(signal.SIGUSR1)

    def close_interlock(self) -> None:
        """Close interlock 0 again."""
        self.process.send_signal(signal.SIGUSR2)

    def restart(self) -> None:
        """Restart the I/O side: another boot id, everything held is void."""
        self.process.send_signal(signal.SIGHUP)


def compiled(source: Path, folder: Path) -> Path:
    """Compile a program on libmodbus; skips with the reason where it cannot be built."""
    for tool in ("gcc", "pkg-config"):
        if shutil.which(tool) is None:
            pytest.skip(f"{tool} is not installed")
    asked = ["pkg-config", "--cflags", "--libs", "libmodbus"]
    flags = subprocess.run(asked, capture_output=True, text=True, check=False)
    if flags.returncode != 0:
        pytest.skip("libmodbus is not installed (Debian: libmodbus-dev)")
    binary = folder / source.stem
    strict = ["-std=c11", "-D_DEFAULT_SOURCE", "-Wall", "-Wextra", "-Werror", "-O1"]
    subprocess.run(["gcc", *strict, "-o", binary, source, *flags.stdout.split(), "-lm"], check=True)
    return binary


@pytest.fixture(scope="session")
def libmodbus_binary(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled I/O side."""
    return compiled(SOURCE, tmp_path_factory.mktemp("libmodbus"))


@pytest.fixture(scope="session")
def libmodbus_master(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled master that asks over a serial port."""
    return compiled(Path(__file__).with_name("libmodbus_ask.c"), tmp_path_factory.mktemp("libmodbus"))


@pytest.fixture(scope="session")
def libmodbus_plant_client(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The compiled client of the plant's Modbus server."""
    return compiled(Path(__file__).with_name("plant_modbus_ask.c"), tmp_path_factory.mktemp("libmodbus"))


@pytest.fixture
def libmodbus_side(libmodbus_binary: Path) -> Iterator[Callable[..., LibmodbusSide]]:
    """Start an I/O side with options (see the C file) on a free port; it is ended with the test."""
    started: list[subprocess.Popen[str]] = []

    def start(**options: float) -> LibmodbusSide:
        arguments = [f"{name}={value}" for name, value in options.items()]
        process = subprocess.Popen([libmodbus_binary, *arguments], stdout=subprocess.PIPE, text=True)
        started.append(process)
        assert process.stdout is not None
        word, port = process.stdout.readline().split()
        assert word == "port"
        return LibmodbusSide(process, int(port))

    yield start
    for process in started:
        if process.poll() is None:
            process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()
