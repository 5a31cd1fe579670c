"""What is easily missed among the changes of an act, in sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from service.domain.field import UNKNOWN
from service.domain.measurement import Measurement


def turned_in_words(before: Sequence[Measurement], after: Sequence[Measurement]) -> list[str]:
    """How many readings change from which side to which; `after` has the same readings in the same order."""
    counted = Counter((was.site.side, new.site.side) for was, new in zip(before, after, strict=True))
    if not counted:
        return []
    ways = [f"{number} from {was} to {new}" for (was, new), number in sorted(counted.items())]
    told = ", ".join(ways)
    swapped = "; the two sides swap" if len(ways) > 1 else ""
    one = sum(counted.values()) == 1
    return [f"{'Reading changes' if one else 'Readings change'} side: {told}{swapped}."]


def lost(before: Measurement, after: Measurement) -> list[str]:
    """Which answers a reading had that are not stated anew, so that they are unknown from then on."""
    answers = {**before.axes, **before.context}
    gone = [
        f"{name.replace('_', ' ')} (was {answer})"
        for name, answer in answers.items()
        if answer != UNKNOWN and after.answer(name) == UNKNOWN
    ]
    if before.trials and not after.trials:
        gone.append(f"single trials (were {len(before.trials)})")
    if not gone:
        return []
    return [f"The reading loses what is not stated anew, and these become unknown: {', '.join(gone)}."]
