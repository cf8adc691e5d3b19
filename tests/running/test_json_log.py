"""A log of JSON lines: one object a line (RFC 8259), moments as in ISO 8601, and nothing else on standard error."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from datetime import datetime, timedelta

import pytest

from pipeline.running import JsonLog, json_log
from tests.scan.nights import NOW

LOUD = "import os, sys; print('a warning', file=sys.stderr); os.write(2, b'10%\\r20%\\n\\xff without an end')"


def test_a_log_of_json_has_a_moment_and_an_event_in_every_line_and_says_how_long_it_still_takes():
    file = io.StringIO()
    moments = (NOW + timedelta(seconds=n) for n in range(1000))
    log = JsonLog(file, lambda: next(moments))
    with log.progress() as on_progress:
        for done in range(101):
            on_progress(done, 100)
    log.say("no memory of genuine parts")
    lines = [json.loads(line) for line in file.getvalue().splitlines()]
    assert all(datetime.fromisoformat(line["at"]).tzinfo for line in lines)
    assert [line["event"] for line in lines] == ["progress"] * 21 + ["notice"]
    assert (lines[0]["seconds_left"], lines[20]["seconds_left"]) == (None, 0)
    assert lines[10]["done"] == 50
    # The clock goes on by a second whenever it is asked: at the beginning, and twice in each line before the 11th.
    assert lines[10]["seconds_left"] == 21


def test_what_libraries_and_other_processes_write_becomes_lines_of_the_log(capfd):
    with json_log() as log:
        os.write(2, "Ünicode from a library\n".encode())
        subprocess.run([sys.executable, "-c", LOUD], check=True)
        os.write(2, b"\n\n")
        log.write("done", status=0)
    os.write(2, b"afterwards\n")
    *lines, last = capfd.readouterr().err.splitlines()
    events = [json.loads(line) for line in lines]
    others = [one["line"] for one in events if one["event"] == "other"]
    assert others == ["Ünicode from a library", "a warning", "10%", "20%", "\ufffd without an end"]
    assert [one["event"] for one in events].count("done") == 1
    assert last == "afterwards"


def test_a_process_that_outlives_the_log_does_not_hold_it_up(capfd):
    with json_log():
        child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE, stderr=None)
    child.communicate(b"\n")
    assert capfd.readouterr().err == ""


def test_an_error_goes_through_and_standard_error_is_as_before(capfd):
    with pytest.raises(ValueError, match="odd"), json_log():
        raise ValueError("odd")
    os.write(2, b"as before\n")
    assert capfd.readouterr().err == "as before\n"
