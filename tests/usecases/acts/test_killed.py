"""An act whose process is killed in the middle: all of it is there, or nothing, and the trail of events is whole."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from service.storage.records import Records
from tests.usecases.acts.attached import WHERE, Attached, attached
from tests.usecases.acts.test_every_act import ACTS

SCRIPT = """
import json, sys, time
from service.domain.actor import LOCAL
from service.storage.records import Records
from service.storage.writer import Writer
from service.usecases.acts.forms import act_of

url, document, left = sys.argv[1], json.loads(sys.argv[2]), int(sys.argv[3])

def held():
    print("half done", flush=True)
    time.sleep(600)

def counted(method):
    def done(self, *given, **named):
        global left
        if not left:
            held()
        left -= 1
        return method(self, *given, **named)
    return done

def sealed(self, seal=Writer.seal):
    seal(self)
    held()

records = Records.open(url)
seen = act_of(document).carried_out(records, LOCAL, None).seen
if left:
    Writer.update = counted(Writer.update)
else:
    Writer.seal = sealed
print("begun", flush=True)
act_of({**document, "seen": seen}).carried_out(records, LOCAL, None)
print("done", flush=True)
"""
"""Carries an act out and stops for ever after so many changes of it; 0: when all is written but not committed."""


def killed(url: str, document: str, after: int) -> str:
    """Run the script, kill it once it stands still, and answer what it said last."""
    given = [sys.executable, "-c", SCRIPT, url, document, str(after)]
    with subprocess.Popen(given, stdout=subprocess.PIPE, text=True, cwd=WHERE, env=dict(os.environ)) as process:
        assert process.stdout is not None
        said = [process.stdout.readline().strip(), process.stdout.readline().strip()]
        process.send_signal(signal.SIGKILL)
        assert process.wait(30) == -signal.SIGKILL
    return said[-1]


def whole(a: Attached) -> bool:
    """Whether the trail of events is whole."""
    with a.records.read() as reader:
        return not reader.verify_events().faults


@pytest.mark.parametrize("after", [0, 1, 7, 20])
@pytest.mark.parametrize("name", ["side", "both", "merge"])
def test_a_killed_act_leaves_nothing(url: str, name: str, after: int) -> None:
    records = Records.open(url)
    try:
        a = attached(records)
        before = a.contents()
        document = ACTS[name](a)
        assert killed(url, a.written(document), after) == "half done"
        assert a.contents() == before
        assert whole(a)
        done = a.acts(document)
        assert whole(a)
        a.undo(done)
        assert a.contents() == before
    finally:
        records.close()
