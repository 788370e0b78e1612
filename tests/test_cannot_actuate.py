"""Nothing in the package can actuate anything: no port, no pin, no program, no network command.

Every source file is read as a syntax tree. What could reach out of the process is forbidden by name, however it is
imported; the few uses that have a reason are listed one by one with it, and a new one must be put here to pass.
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
    "subprocess", "_posixsubprocess", "pty", "pexpect", "sh", "plumbum", "invoke", "fabric", "webbrowser", "antigravity",
    "runpy", "code", "codeop",
    # the network, as one who sends
    "socket", "_socket", "socketserver", "ssl", "requests", "httpx", "aiohttp", "urllib3", "urllib.request", "http.client",
    "http.server", "ftplib", "smtplib", "poplib", "imaplib", "nntplib", "telnetlib", "telnetlib3", "xmlrpc", "paramiko",
    "asyncssh", "paho", "zmq", "pika", "websocket", "websockets", "kombu", "nats", "pysnmp", "dbus", "pydbus", "asyncore",
    "multiprocessing.connection", "multiprocessing.managers", "logging.handlers", "logging.config", "wsgiref",
    # sound servers
    "pulsectl", "pulsectl_asyncio",
    # any C library
    "ctypes", "_ctypes", "cffi",
}  # fmt: skip

FORBIDDEN_NAMES = {
    # programs: os, asyncio
    "system", "popen", "popen2", "posix_spawn", "posix_spawnp", "startfile", "create_subprocess_exec",
    "create_subprocess_shell", "subprocess_exec", "subprocess_shell", "forkpty", "openpty",
    "execl", "execle", "execlp", "execlpe", "execv", "execve", "execvp", "execvpe",
    "spawnl", "spawnle", "spawnlp", "spawnlpe", "spawnv", "spawnve", "spawnvp", "spawnvpe",
    # the network: asyncio, multiprocessing, urllib, logging
    "open_connection", "create_connection", "open_unix_connection", "create_unix_connection", "create_datagram_endpoint",
    "sock_connect", "sock_sendto", "start_server", "start_unix_server", "urlopen", "urlretrieve",
    "SocketHandler", "DatagramHandler", "SysLogHandler", "HTTPHandler", "SMTPHandler", "BaseManager", "SyncManager",
    # devices and any code
    "ioctl", "__import__", "run_path", "run_module",
}  # fmt: skip

# What loads a module by its name.
LOADERS = {"import_module", "resolve_name", "load_module", "spec_from_file_location"}

# Only as functions of their own: x.eval() and re.compile() are something else.
FORBIDDEN_BUILTINS = {"eval", "exec", "compile", "__import__"}

FORBIDDEN_PLACES = ("/dev/", "/sys", "/proc", "COM1", "\\\\.\\")

# Out of forbidden modules: the type of a pipe's end, and waiting for several pipes. Neither takes an address.
HARMLESS = {"multiprocessing.connection.Connection", "multiprocessing.connection.wait"}

# (file, what): why it is harmless
ALLOWED = {
    ("speech/vosk_spotter.py", "ctypes"): "srand() of the C library, so that vosk's dither repeats",
    ("study/voices.py", "subprocess"): "speech synthesisers that make a study's test words, never in a watch",
    ("watch/page/serve.py", "socket"): "where browsers ask for the watch page; it only answers and connects to nobody",
    ("watch/page/crowd.py", "socket"): "how a page's connection that reads nothing is closed; opens none, tested below",
    ("network/receiver.py", "socket"): "hears a radio on the network; never sends a byte, tested below",
    ("network/sender.py", "socket"): "plays a recording in a rehearsal (`listener send`); no watch imports it, tested below",
    ("watch/service.py", "socket"): "tells the service manager that the watch is alive (sd_notify)",
    ("speech/engines.py", "import_module of a name that is computed"): "names out of ENGINES in the same file, tested below",
    ("study/voices.py", "import_module of a name that is computed"): "a Piper voice's package; the name's ending is fixed",
    ("sound/server.py", "pulsectl"): "asks the sound server what there is and is connected; tells it nothing, tested below",
    ("sound/cards.py", "/proc/asound"): "reads which sound cards there are; writes nothing, tested below",
    ("watch/parts/process.py", "/proc/"): "reads how much memory and time a child process takes; writes nothing, tested below",
}


def uses(tree: ast.AST) -> Iterator[str]:
    """The forbidden things that a source file imports, names or writes to."""
    modules = imported_names(tree)
    platform_calls = {id(n) for n in ast.walk(tree) if isinstance(n, ast.Attribute) and ast.unparse(n) == "platform.system"}
    for node in ast.walk(tree):
        match node:
            case ast.Import():
                names = (alias.name for alias in node.names if not is_only_waited_with(alias, tree))
                yield from filter(None, map(forbidden_module, names))
            case ast.ImportFrom(level=0):
                yield from forbidden_from(node)
            case ast.Attribute() if id(node) not in platform_calls:
                yield from forbidden_attribute(node, modules)
            case ast.Name(id=name) if name in FORBIDDEN_BUILTINS:
                yield name
            case ast.Call():
                yield from forbidden_call(node)
            case ast.Constant(value=str(text)) if text.startswith(FORBIDDEN_PLACES):
                yield text
            case ast.Constant(value=bytes(text)) if text.startswith(tuple(p.encode() for p in FORBIDDEN_PLACES)):
                yield text.decode(errors="replace")


def is_only_waited_with(alias: ast.alias, tree: ast.AST) -> bool:
    """`import multiprocessing.connection` of which nothing but HARMLESS is used, and always by its whole name."""
    if alias.name != "multiprocessing.connection" or alias.asname:
        return False
    said = [ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Attribute)]
    return said.count("multiprocessing.connection") == sum(said.count(name) for name in HARMLESS)


def imported_names(tree: ast.AST) -> dict[str, str]:
    """What a name stands for in this file: {"u": "urllib"} after `import urllib as u`."""
    names: dict[str, str] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names |= {a.asname or a.name.split(".")[0]: a.name if a.asname else a.name.split(".")[0] for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names |= {a.asname or a.name: f"{node.module}.{a.name}" for a in node.names}
    return names


def forbidden_module(name: str) -> str | None:
    parts = name.split(".")
    return next((m for m in (parts[0], ".".join(parts[:2])) if m in FORBIDDEN_MODULES), None)


def forbidden_from(node: ast.ImportFrom) -> Iterator[str]:
    """from x import y: of modules and of names; y may be renamed, so the import itself counts."""
    for alias in node.names:
        if f"{node.module}.{alias.name}" in HARMLESS:
            continue
        if alias.name == "*":
            yield f"everything from {node.module}"
        yield from filter(None, map(forbidden_module, (node.module or "", f"{node.module}.{alias.name}")))
        if alias.name in FORBIDDEN_NAMES and f"{node.module}.{alias.name}" != "platform.system":
            yield alias.name
        if alias.name in LOADERS and alias.asname:
            yield f"{node.module}.{alias.name} under another name"


def forbidden_attribute(node: ast.Attribute, modules: dict[str, str]) -> Iterator[str]:
    """x.y: a forbidden name, or a forbidden module reached through its parent (urllib.request, logging.handlers)."""
    dotted = ast.unparse(node)
    if dotted in HARMLESS or dotted == "multiprocessing.connection":  # alone it is part of a longer one, seen by itself
        return
    first, _, rest = dotted.partition(".")
    if node.attr in FORBIDDEN_NAMES and first in modules:  # not called: run = os.system
        yield node.attr
    found = forbidden_module(f"{modules[first]}.{rest}") if first in modules and dotted.replace(".", "").isidentifier() else None
    if found:
        yield found


def forbidden_call(node: ast.Call) -> Iterator[str]:
    """import_module("serial"), getattr(os, "system"), and both with something that cannot be read here."""
    called = ast.unparse(node.func).rsplit(".", 1)[-1]
    if called in FORBIDDEN_NAMES and isinstance(node.func, ast.Attribute) and ast.unparse(node.func) != "platform.system":
        yield called
    if called in LOADERS:
        name = node.args[0] if node.args else None
        if isinstance(name, ast.Constant) and isinstance(name.value, str):
            yield from filter(None, [forbidden_module(name.value)])
        else:
            yield f"{called} of a name that is computed"
    elif called in ("getattr", "attrgetter", "methodcaller"):
        for given in node.args:
            if isinstance(given, ast.Constant) and given.value in FORBIDDEN_NAMES:
                yield str(given.value)
        reached = ast.unparse(node.args[0]) if node.args else ""
        if reached in ("os", "asyncio", "importlib", "builtins") and not isinstance(node.args[1], ast.Constant):
            yield f"{called} of {reached} with a name that is computed"


def found_in(source: str) -> set[str]:
    return set(uses(ast.parse(source)))


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_source_file_reaches_out(path):
    name = path.relative_to(PACKAGE).as_posix()
    found = found_in(path.read_text(encoding="utf-8"))
    assert found - {what for file, what in ALLOWED if file == name} == set()


def test_every_exception_is_still_needed():
    for file, what in ALLOWED:
        assert what in found_in((PACKAGE / file).read_text(encoding="utf-8")), file


def test_engines_are_loaded_from_this_package_alone():
    from listener.speech.engines import ENGINES

    assert all(where.startswith("listener.speech.") for where in ENGINES.values())


def test_what_is_read_under_proc_and_sys_is_never_written():
    """The files that may name such a place read there: none of their calls that could write has it as its path."""
    writing = {"open", "write_text", "write_bytes", "touch", "unlink", "rename", "replace", "mkdir", "symlink_to"}
    for file, what in ALLOWED:
        if what.startswith(("/proc", "/sys")):
            tree = ast.parse((PACKAGE / file).read_text(encoding="utf-8"))
            calls = [ast.unparse(n) for n in ast.walk(tree) if isinstance(n, ast.Call)]
            reads = [c for c in calls if what in c and ".read_text(" in c]
            # A place that has a name is read through that: then nothing in the whole file may write.
            risky = [c for c in calls if (what in c or not reads) and any(f"{name}(" in c for name in writing)]
            assert any(".read_text(" in c for c in reads or calls) and not risky, file


def test_the_sound_server_is_only_asked():
    """Of what pulsectl can do (volumes, moving streams, loading modules) it lists, and waits for news."""
    tree = ast.parse((PACKAGE / "sound/server.py").read_text(encoding="utf-8"))
    used = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute) and ast.unparse(n.value) in ("pulse", "pulsectl")}
    assert used == {
        "Pulse", "PulseError", "PulseDisconnected", "PulseLoopStop", "connect", "close", "server_info", "source_list",
        "sink_list", "source_output_list", "event_mask_set", "event_callback_set", "event_listen",
    }  # fmt: skip


def test_the_page_s_server_answers_and_connects_to_nobody():
    """Of what a socket can do it listens, and asks for its own address and name."""
    tree = ast.parse((PACKAGE / "watch/page/serve.py").read_text(encoding="utf-8"))
    calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)]
    used = {call.attr for call in calls if ast.unparse(call.value) in ("socket", "self._socket")}
    assert used == {"create_server", "getsockname", "gethostname"}


def test_the_radio_s_receiver_reads_and_never_sends():
    """Of what a socket can do it binds, sets options, and receives."""
    tree = ast.parse((PACKAGE / "network/receiver.py").read_text(encoding="utf-8"))
    calls = [node.func for node in ast.walk(tree) if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)]
    used = {call.attr for call in calls if ast.unparse(call.value) in ("socket", "opened")}
    assert used == {"socket", "setsockopt", "bind", "close", "settimeout", "recvfrom", "inet_aton", "inet_pton"}


def test_only_the_command_for_rehearsals_reaches_the_sender():
    """No module of the package imports it but the command line, inside the one command."""
    importers = {
        path.relative_to(PACKAGE).as_posix() for path in SOURCES if "listener.network.sender" in path.read_text(encoding="utf-8")
    }
    assert importers == {"cli.py"}


def test_the_page_s_crowd_only_sets_how_a_connection_closes():
    """Of the module socket it uses two constants and calls nothing."""
    tree = ast.parse((PACKAGE / "watch/page/crowd.py").read_text(encoding="utf-8"))
    used = {n.attr for n in ast.walk(tree) if isinstance(n, ast.Attribute) and ast.unparse(n.value) == "socket"}
    assert used == {"SOL_SOCKET", "SO_LINGER"}


TRICKS = [
    ("import serial", "serial"),
    ("from RPi import GPIO", "RPi"),
    ("import os\nos.system('true')", "system"),
    ("from os import execvp\nexecvp('a', [])", "execvp"),
    ("from os import system as ask\nask('true')", "system"),
    ("import os\nrun = os.spawnv\nrun(0, 'a', [])", "spawnv"),
    ("import os\ngetattr(os, 'system')('true')", "system"),
    ("import os\ngetattr(os, 'sys' + 'tem')('true')", "getattr of os with a name that is computed"),
    ("from os import *\nsystem('true')", "everything from os"),
    ("import pty\npty.spawn('sh')", "pty"),
    ("import subprocess as s\ns.run(['a'])", "subprocess"),
    ("import ctypes\nctypes.CDLL(None).system(b'true')", "ctypes"),
    ("from urllib import request", "urllib.request"),
    ("import urllib\nurllib.request.urlopen('http://a')", "urllib.request"),
    ("import urllib as u\nu.request.urlretrieve('http://a')", "urllib.request"),
    ("import urllib.parse\nurllib.request.urlopen('http://a')", "urllib.request"),
    ("import http.client", "http.client"),
    ("import http\nhttp.client.HTTPConnection('a')", "http.client"),
    ("import importlib\nimportlib.import_module('serial')", "serial"),
    ("from importlib import import_module as get\nget('serial')", "importlib.import_module under another name"),
    ("from importlib import import_module\nimport_module('soc' + 'ket')", "import_module of a name that is computed"),
    ("__import__('socket')", "__import__"),
    ("import builtins\nbuiltins.__import__('socket')", "__import__"),
    ("from multiprocessing.connection import Client\nClient(('a', 1))", "multiprocessing.connection"),
    ("import multiprocessing.connection as c\nc.Listener(('', 1))", "multiprocessing.connection"),
    ("import multiprocessing\nmultiprocessing.connection.Client(('a', 1))", "multiprocessing.connection"),
    ("import multiprocessing.connection\nmultiprocessing.connection.Client(('a', 1))", "multiprocessing.connection"),
    ("import multiprocessing.connection\nc = multiprocessing.connection\nc.Client(('a', 1))", "multiprocessing.connection"),
    ("import webbrowser\nwebbrowser.open('http://a')", "webbrowser"),
    ("import logging.handlers\nlogging.handlers.SocketHandler('a', 1)", "logging.handlers"),
    ("import logging\nlogging.handlers.SysLogHandler()", "logging.handlers"),
    ("from logging.handlers import DatagramHandler", "logging.handlers"),
    ("from logging import handlers as h\nh.HTTPHandler('a', 'b')", "logging.handlers"),
    ("from logging.handlers import SMTPHandler as Mail", "logging.handlers"),
    ("import asyncio\nasyncio.open_connection('a', 1)", "open_connection"),
    ("async def f(loop): await loop.create_datagram_endpoint(None, remote_addr=('a', 1))", "create_datagram_endpoint"),
    ("import socketserver", "socketserver"),
    ("eval('1')", "eval"),
    ("open('/dev/ttyUSB0', 'wb')", "/dev/ttyUSB0"),
    ("open('/sys/class/leds/x/brightness', 'w')", "/sys/class/leds/x/brightness"),
    ("from pathlib import Path\nPath('/sys').joinpath('class')", "/sys"),
    ("from pathlib import Path\nPath('/proc/sysrq-trigger').write_text('b')", "/proc/sysrq-trigger"),
    ("open(b'/proc/self/mem', 'wb')", "/proc/self/mem"),
    ("n = 17\nopen(f'/sys/class/gpio/gpio{n}/value', 'w')", "/sys/class/gpio/gpio"),
]


@pytest.mark.parametrize("source, what", TRICKS, ids=[source.replace("\n", "; ")[:60] for source, _ in TRICKS])
def test_a_trick_planted_in_a_package_is_found(tmp_path, source, what):
    """Each stands in a file of a scratch package, deep in it, and is found as it would be in ours."""
    file = tmp_path / "scratch" / "room" / "trick.py"
    file.parent.mkdir(parents=True)
    file.write_text(f'"""Looks harmless."""\n{source}\n', encoding="utf-8")
    found = {what for path in tmp_path.rglob("*.py") for what in found_in(path.read_text(encoding="utf-8"))}
    assert what in found


@pytest.mark.parametrize(
    "source",
    [
        "import platform\nplatform.system()", "import re\nre.compile('a')", "frame.eval('a')", "import logging\nlogging.getLogger()",
        "import urllib.parse\nurllib.parse.quote('a')", "text = 'see /proc'", "import multiprocessing\nmultiprocessing.Process()",
        "from multiprocessing.connection import Connection, wait", "import multiprocessing.connection\nmultiprocessing.connection.wait([])",
        "from importlib.resources import files", "from importlib import import_module\nimport_module('listener.speech.ear')",
    ],
)  # fmt: skip
def test_what_is_harmless_is_not_taken_for_a_trick(source):
    assert found_in(source) == set()


def test_no_setting_names_a_program_or_a_place_to_send_to():
    def keys(schema: dict) -> Iterator[str]:
        for part in [schema, *schema.get("$defs", {}).values()]:
            yield from part.get("properties", {})

    # `url` of a channel is where its sound comes from: network/stream.py opens it for reading and nothing else.
    given = list(keys(Settings.model_json_schema()))
    given.remove("url")
    words = {word for key in given for word in key.split("_")}
    assert words.isdisjoint({"command", "exec", "execute", "run", "script", "hook", "webhook", "url", "program", "shell"})
