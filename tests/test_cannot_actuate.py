"""Nothing in the package can actuate anything: no port, no pin, no program, no network command.

Every source file is read as a syntax tree. What could reach out of the process is forbidden by name;
the few uses that have a reason are listed one by one with it, and a new one must be put here to pass.
"""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import listener
from listener.settings import Settings

PACKAGE = Path(listener.__file__).parent
SOURCES = sorted(PACKAGE.rglob("*.py"))

FORBIDDEN_MODULES = {
    # ports, pins, buses
    "serial", "usb", "usb1", "hid", "RPi", "gpiozero", "gpiod", "pigpio", "periphery", "smbus", "smbus2", "spidev",
    "can", "pymodbus", "minimalmodbus", "pyvisa", "pyfirmata", "labjack", "nidaqmx", "parallel", "winreg",
    # programs
    "subprocess", "pty", "pexpect", "sh", "plumbum", "invoke", "fabric",
    # the network, as one who sends
    "socket", "requests", "httpx", "aiohttp", "urllib3", "urllib.request", "http.client", "ftplib", "smtplib",
    "telnetlib", "telnetlib3", "xmlrpc", "paramiko", "asyncssh", "paho", "zmq", "pika", "websocket", "websockets",
    "kombu", "nats", "pysnmp",
    # any C library
    "ctypes", "cffi",
}  # fmt: skip

FORBIDDEN_CALLS = {
    "system", "popen", "popen2", "posix_spawn", "posix_spawnp", "startfile", "create_subprocess_exec",
    "create_subprocess_shell", "open_connection", "create_connection", "open_unix_connection", "ioctl",
    "execl", "execle", "execlp", "execlpe", "execv", "execve", "execvp", "execvpe",
    "spawnl", "spawnle", "spawnlp", "spawnlpe", "spawnv", "spawnve", "spawnvp", "spawnvpe",
    "eval", "exec", "__import__",
}  # fmt: skip

# (file, what): why it is harmless
ALLOWED = {
    ("speech/vosk_spotter.py", "ctypes"): "srand() of the C library, so that vosk's dither repeats",
    ("study/voices.py", "subprocess"): "speech synthesisers that make a study's test words, never in a watch",
    ("watch/page/serve.py", "socket"): "where browsers ask for the watch page; it only answers and connects to nobody",
    ("watch/service.py", "socket"): "tells the service manager that the watch is alive (sd_notify)",
}


def uses(tree: ast.AST) -> Iterator[str]:
    """The forbidden things that a source file imports or calls."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from filter(None, (forbidden_module(alias.name) for alias in node.names))
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
            yield from filter(None, map(forbidden_module, names))
        elif isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in FORBIDDEN_CALLS and not is_method_of_other_things(node, name):
                yield name
        elif (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and node.value.startswith(("/dev/", "/sys/class/gpio", "COM1", "\\\\.\\"))
        ):
            yield node.value


def forbidden_module(name: str) -> str | None:
    parts = name.split(".")
    return next((m for m in (parts[0], ".".join(parts[:2])) if m in FORBIDDEN_MODULES), None)


def is_method_of_other_things(node: ast.Call, name: str) -> bool:
    """x.eval() and platform.system() run nothing; os.system() does, in any form."""
    if not isinstance(node.func, ast.Attribute):
        return False
    return name in {"eval", "exec"} or ast.unparse(node.func) == "platform.system"


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_source_file_reaches_out(path):
    name = path.relative_to(PACKAGE).as_posix()
    found = set(uses(ast.parse(path.read_text(encoding="utf-8"))))
    assert found - {what for file, what in ALLOWED if file == name} == set()


def test_every_exception_is_still_needed():
    for file, what in ALLOWED:
        assert what in set(uses(ast.parse((PACKAGE / file).read_text(encoding="utf-8")))), file


def test_the_page_s_server_answers_and_connects_to_nobody():
    """Of what a socket can do it listens, and asks for its own address and name."""
    tree = ast.parse((PACKAGE / "watch/page/serve.py").read_text(encoding="utf-8"))
    calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)]
    used = {call.attr for call in calls if ast.unparse(call.value) in ("socket", "self._socket")}
    assert used == {"create_server", "getsockname", "gethostname"}


@pytest.mark.parametrize(
    "source, what",
    [
        ("import serial", "serial"),
        ("from RPi import GPIO", "RPi"),
        ("import os\nos.system('true')", "system"),
        ("from os import execvp\nexecvp('a', [])", "execvp"),
        ("from urllib import request", "urllib.request"),
        ("import http.client", "http.client"),
        ("open('/dev/ttyUSB0', 'wb')", "/dev/ttyUSB0"),
        ("import asyncio\nasyncio.open_connection('a', 1)", "open_connection"),
        ("eval('1')", "eval"),
    ],
)
def test_the_scan_sees_what_it_must(source, what):
    assert what in set(uses(ast.parse(source)))


def test_no_setting_names_a_program_or_a_place_to_send_to():
    def keys(schema: dict) -> Iterator[str]:
        for part in [schema, *schema.get("$defs", {}).values()]:
            yield from part.get("properties", {})

    words = {word for key in keys(Settings.model_json_schema()) for word in key.split("_")}
    assert words.isdisjoint({"command", "exec", "execute", "run", "script", "hook", "webhook", "url", "program", "shell"})
