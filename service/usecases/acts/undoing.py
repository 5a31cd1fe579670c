"""Undoing an act: everything it changed says again what it said before."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from service.domain.actor import Actor
from service.errors import Conflict, Issue, NotFound
from service.fhir.acts import ActTold, from_act
from service.fhir.derived import is_derived
from service.storage.records import Reader, Records
from service.storage.stored import Stored
from service.usecases.acts.deed import MARKED, Deed, Outcome, Terms, as_it_was, carry_out, stands
from service.usecases.acts.merges import part
from service.usecases.orthosis_guard import settle
from service.usecases.permissions import require

OPERATIONS = ("correction", "move", "merge")


def undo(records: Records, actor: Actor, ident: str, terms: Terms) -> Outcome:
    """Undo an act (by the id of its Provenance), or an undoing.

    What an act created is deleted, its versions stay; what it changed gets a version that says what it said before.
    Results are computed anew, since they name the versions they rest on. Raises `Conflict` for an act that is undone
    already, and where something that it changed was changed since; a merge is parted even then.
    """
    with records.read() as reader:
        told, operation = act_told(reader, actor, ident)

    def do(deed: Deed) -> None:
        _require_in_force(deed.writer, ident)
        if operation == "merge" and told.name == "merge":
            part(deed, told)
        else:
            _restore(deed, told)

    return carry_out(records, actor, operation, terms, do, undone=ident)


def _require_in_force(reader: Reader, ident: str) -> None:
    by = undone_by(reader, ident)
    if by:
        message = f"The act was undone already, by Provenance/{by}."
        expected = f"the undoing Provenance/{by} undone, where the act is to hold again"
        raise Conflict(Issue("business-rule", message, "undone", ident, "undone-already", expected))


def undone_by(reader: Reader, ident: str) -> str:
    """The id of the undoing by which an act (by id) is undone now, or nothing: an undoing may be undone itself."""
    for each in reader.pointing("Provenance", "entity", "Provenance", [ident]):
        told = from_act(reader.version("Provenance", each.id, 1).resource)
        if told is not None and told.undone == ident and not undone_by(reader, each.id):
            return each.id
    return ""


def act_told(reader: Reader, actor: Actor, ident: str) -> tuple[ActTold, str]:
    """What an act came to, and which operation it was, or undid. Raises `NotFound` for what is no act of this kind."""
    require(actor, "read", "Provenance")
    # The first version is what the record wrote; a later one is what somebody made of it.
    told = from_act(reader.version("Provenance", ident, 1).resource)
    if told is not None and told.name in OPERATIONS:
        return told, told.name
    if told is not None and told.undone:
        return told, act_told(reader, actor, told.undone)[1]
    raise NotFound(f"There is no act {ident} that could be undone.")


def _restore(deed: Deed, told: ActTold) -> None:
    present = {key: deed.writer.find(*key) for key in told.versions}
    touched = {key for key, (_, after) in told.versions.items() if not stands(deed.writer, key, present[key], after)}
    _require_untouched(touched, present)
    deed.about(*{each.patient for each in present.values() if each is not None})
    restored: list[Stored] = []
    for key, (before, _) in told.versions.items():
        if key in touched and key[0] in MARKED:
            continue  # somebody looked at it since, which is what it was marked for
        was, now = as_it_was(deed.writer, key, before), present[key]
        if was is None and now is not None and not now.deleted:
            deed.writer.delete(*key)
        elif was is not None:
            restored.append(deed.writer.update(was.resource))
    deed.about(*{each.patient for each in restored})
    settle(deed.writer, deed.actor, restored)


def _require_untouched(touched: Collection[tuple[str, str]], present: Mapping[tuple[str, str], Stored | None]) -> None:
    """Raises `Conflict` for what says something else now; results may, since they are computed anew in any case."""
    changed = [
        "/".join(key)
        for key in touched
        for now in [present[key]]
        if now is None or now.deleted or not (is_derived(now.resource) or key[0] in MARKED)
    ]
    if changed:
        message = "What the act changed was changed again since; that has to be undone first."
        raise Conflict(Issue("conflict", message, "act", ", ".join(sorted(changed)[:20]), "undo"))
