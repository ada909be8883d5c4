"""Threads: an interruption ends them, and does not wait for them."""

from __future__ import annotations

import signal
import subprocess
import sys
import threading
import time

import pytest

from geotools.accel import run_kernel
from geotools.threads import Stopped, ThreadPool, left_running

LONG = 60.0  # s; nobody waits for it

COMMAND = f"""
import os, signal, sys, threading, time
signal.signal(signal.SIGTERM, signal.SIG_DFL)
from geotools import cli
from geotools.threads import ThreadPool

class Working:
    def main(self, *arguments, **options):
        with ThreadPool(1) as pool:
            work = pool.submit(time.sleep, {LONG})
            threading.Timer(0.1, os.kill, (os.getpid(), signal.SIGTERM)).start()
            work.result()

cli._app = Working
cli.main([])
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such signals")
def test_a_signal_ends_a_command_that_waits_for_a_thread_at_once() -> None:
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", COMMAND], capture_output=True, text=True, check=False, timeout=LONG
    )
    assert done.returncode == 128 + signal.SIGTERM
    assert done.stderr == "ended from outside\n"
    assert time.monotonic() - began < LONG / 3


def test_threads_of_interrupted_work_stop_at_their_next_kernel() -> None:
    begun, ended = threading.Event(), list[type[BaseException]]()

    def work() -> None:
        begun.set()
        try:
            while True:
                run_kernel(lambda: None, 0)
        except BaseException as error:
            ended.append(type(error))
            raise

    with pytest.raises(KeyboardInterrupt), ThreadPool(1) as pool:
        waiting = pool.submit(work), pool.submit(work)
        begun.wait()
        raise KeyboardInterrupt
    assert not left_running(LONG)
    assert ended == [Stopped]
    assert waiting[1].cancelled()


def test_after_an_error_what_was_begun_is_waited_for_and_no_more_is_begun() -> None:
    begun, done = threading.Event(), list[int]()

    def work(number: int) -> None:
        begun.set()
        time.sleep(0.05)
        done.append(number)

    with pytest.raises(ValueError, match="no"), ThreadPool(1) as pool:
        for number in range(3):
            pool.submit(work, number)
        begun.wait()
        raise ValueError("no")
    assert done == [0]


def test_of_work_that_is_not_interrupted_all_is_done() -> None:
    with ThreadPool(2) as pool:
        done = list(pool.map(abs, [-1, 2, -3]))
    assert done == [1, 2, 3]
    assert not left_running(0.0)
