"""A process that has loaded all of Kickwheel and becomes a command at each request: python -m tests.ready

Loading takes a second of processor time, more than many commands of the tests take for their work. Each command still
is a process of its own, in which nothing has run before: a fork of this one, which itself runs nothing.

A request is a line of JSON on standard input: words, cwd, out and err (files to write to), timeout in seconds. The answer
is a line: the exit status, or "late".
"""

from __future__ import annotations

import gc
import importlib
import json
import os
import pkgutil
import signal
import sys
import time

import builder


def load_all() -> None:
    for module in pkgutil.walk_packages(builder.__path__, "builder."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    __import__("imageio.plugins.pyav")
    gc.collect()
    gc.freeze()  # or the first collection in a fork would write to every page that it shares
    threads = len(os.listdir("/proc/self/task"))
    assert threads == 1, f"{threads} threads: only one of them would live on in a fork"


def become(request: dict) -> int:
    """In the fork: the command, as `python -m builder` has it. Returns its exit status."""
    os.chdir(request["cwd"])
    for number, place, how in ((0, os.devnull, os.O_RDONLY), (1, request["out"], os.O_WRONLY), (2, request["err"], os.O_WRONLY)):  # fmt: skip
        opened = os.open(place, how)
        os.dup2(opened, number)
        os.close(opened)
    sys.argv = ["kickwheel", *request["words"]]
    importlib.import_module("builder.__main__").main()
    return 0


def wait(child: int, seconds: float) -> str:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return str(os.waitstatus_to_exitcode(status))
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return "late"


def serve() -> int:
    while line := sys.stdin.buffer.raw.readline():
        request = json.loads(line)
        child = os.fork()
        if child == 0:
            return become(request)
        os.write(1, f"{wait(child, request['timeout'])}\n".encode())
    return 0


if __name__ == "__main__":
    load_all()
    sys.exit(serve())
