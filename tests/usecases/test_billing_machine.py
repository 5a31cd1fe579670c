"""Random decisions of billers against a model: lawful states, and each line leaving once, whatever is tried.

The model is what the requirements say: which decision is possible in which state, and that a charge leaves once as
itself, and once as a reversal if it was voided after it had left.
"""

from __future__ import annotations

import csv
import os
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from io import StringIO

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from service.domain.actor import LOCAL
from service.errors import Conflict
from service.storage.records import Records
from service.usecases import billing, billing_export, resources
from service.usecases.billing import Wish
from tests.usecases.test_billing import BILLER, CLINICIAN, LINE, SHIPPED, covered, ready

POSSIBLE = {
    "confirm": {"ready", "void"},
    "ask": {"ready", "void"},
    "answer": {"returned"},
    "keep": {"needs-review"},
    "void": {"confirmed", "needs-review"},
}
LEADS = {"confirm": "confirmed", "ask": "returned", "answer": "ready", "keep": "confirmed", "void": "void"}


@dataclass
class Known:
    """What the model knows of one episode: its state, and of each charge whether it left and was voided."""

    id: str
    state: str = "ready"
    charges: list[dict[str, bool]] = field(default_factory=list)


class Decisions(RuleBasedStateMachine):
    """Two episodes of two patients, and billers who try everything."""

    def __init__(self, records: Records) -> None:
        super().__init__()
        self.records = records
        self.known: list[Known] = []
        self.left: Counter[tuple[str, str]] = Counter()

    @initialize()
    def two_episodes(self) -> None:
        """What earlier histories left behind in the record leaves first."""
        with self.records.write(BILLER) as writer, suppress(Conflict):
            billing_export.export(writer, BILLER, SHIPPED)
        self.known = [Known(ready(self.records, covered(self.records))) for _ in range(2)]

    @rule(which=st.integers(0, 1), what=st.sampled_from(sorted(POSSIBLE)), seen=st.booleans())
    def decide(self, which: int, what: str, seen: bool) -> None:
        """A decision, on what is there or on what was there before."""
        known = self.known[which]
        with self.records.read() as reader:
            version = billing.look_at(reader, BILLER, SHIPPED, known.id).version if seen else "0" * 32
        lawful = known.state in POSSIBLE[what] and (seen or what in ("ask", "answer"))
        try:
            self._do(what, known.id, version)
        except Conflict:
            assert not lawful, (known, what)
            return
        assert lawful, (known, what)
        known.state = LEADS[what]
        if what == "confirm":
            known.charges.append({"left": False, "void": False, "reversed": False})
        if what == "void":
            known.charges[-1]["void"] = True

    def _do(self, what: str, episode: str, version: str) -> None:
        with self.records.write(BILLER) as writer:
            if what == "confirm":
                billing.confirm(writer, BILLER, SHIPPED, episode, Wish(version, (LINE,)))
            elif what == "ask":
                billing.ask(writer, BILLER, SHIPPED, episode, "Which hand?")
            elif what == "answer":
                billing.answer(writer, CLINICIAN, SHIPPED, episode, "The right.")
            elif what == "keep":
                billing.keep(writer, BILLER, SHIPPED, episode, version, "It changes no line.")
            else:
                billing.void(writer, BILLER, SHIPPED, episode, version, "Counted wrongly.")

    @rule(which=st.integers(0, 1))
    def correct(self, which: int) -> None:
        """Somebody corrects the delivery; what is confirmed waits from then on."""
        known = self.known[which]
        with self.records.write(CLINICIAN) as writer:
            case = billing.look_at(writer, CLINICIAN, SHIPPED, known.id)
            delivery = writer.get("SupplyDelivery", case.dossier.deliveries[0].reference.partition("/")[2]).resource
            note = {"url": "https://clinic.example/note", "valueString": f"corrected {delivery['meta']['versionId']}"}
            resources.update(writer, CLINICIAN, {**delivery, "modifierExtension": [note]})
        if known.state == "confirmed":
            known.state = "needs-review"

    @rule()
    def export(self) -> None:
        """All that is confirmed leaves, and every reversal that is owed; what needs review stays."""
        due = [
            ("reversal" if charge["void"] else "charge", charge)
            for known in self.known
            for charge in known.charges
            if (charge["void"] and charge["left"] and not charge["reversed"])
            or (not charge["void"] and not charge["left"] and known.state == "confirmed")
        ]
        try:
            with self.records.write(BILLER) as writer:
                given = billing_export.export(writer, BILLER, SHIPPED)
        except Conflict:
            assert due == []
            return
        lines = [(line["kind"], line["charge"]) for line in csv.DictReader(StringIO(given.csv.decode()))]
        assert sorted(kind for kind, _ in lines) == sorted(kind for kind, _ in due)
        self.left.update(lines)
        for kind, charge in due:
            charge["reversed" if kind == "reversal" else "left"] = True
        with self.records.read() as reader:
            again = billing_export.find_export(reader, LOCAL, given.id)
        assert (again.csv, again.bundle) == (given.csv, given.bundle)

    @invariant()
    def record_and_model_agree(self) -> None:
        """State, charges, and that nothing left twice."""
        with self.records.read() as reader:
            for known in self.known:
                case = billing.look_at(reader, BILLER, SHIPPED, known.id)
                assert case.state == known.state
                charges = billing.charges_of(reader, case)
                told = [{"left": bool(c.export), "void": bool(c.void), "reversed": bool(c.reversal)} for c in charges]
                assert told == known.charges
                assert sum(not charge["void"] for charge in told) <= 1
        assert set(self.left.values()) <= {1}


def test_whatever_billers_decide_each_line_leaves_once(records: Records) -> None:
    """On both databases. HANDRECORD_HISTORIES asks for more histories."""
    run_state_machine_as_test(
        lambda: Decisions(records),
        settings=settings(
            max_examples=int(os.environ.get("HANDRECORD_HISTORIES", "6")),
            stateful_step_count=30,
            deadline=None,
            suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
        ),
    )
