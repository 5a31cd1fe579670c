"""`python -m tests.simulation`: how often each verdict is wrong, over a grid of invented courses of known truth.

The table is kept in DEVELOPERS.md. Nominal for a plateau: of hands that truly gain at least the worthwhile rate, at
most 5% are called one, whatever the number of visits. `--runs` courses are made of each truth.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Iterable
from random import Random

from service.domain.change.plateau import standing_of
from service.domain.change.trend import MannKendall
from service.domain.change.verdict import BEYOND, change_of, ends_of
from service.domain.metric import Missing
from tests.simulation.courses import VISITS, WORTHWHILE_RATE, Truth, course_of, grid

COLUMNS = (
    "error", "SEM", "correlation", "plateau, truly worthwhile", "gaining, truly none", "p < 0.05, truly none",
    "change beyond error, truly none", "plateau, truly none: 8, 15 visits", "gaining, truly worthwhile: 8, 15 visits",
)  # fmt: skip
Found = dict[Truth, Counter[str]]


def judged(truth: Truth, runs: int, random: Random) -> Counter[str]:
    """How many of the courses of one truth got each verdict."""
    found: Counter[str] = Counter()
    for _ in range(runs):
        course = course_of(truth, random)
        standing = standing_of(course, WORTHWHILE_RATE)
        found[standing.answer] += 1
        order = standing.trend.order
        found["order"] += isinstance(order, MannKendall) and order.p < 0.05
        if truth.share == 0:
            found["beyond"] += change_of(course, *ends_of(course)).verdict in BEYOND
        found["no interval"] += isinstance(standing.trend.allowed, Missing)
    return found


def worst(found: Found, verdict: str, runs: int, truths: Iterable[Truth]) -> str:
    """The largest share of a verdict over the numbers of visits, for one examiner and for two."""
    shares = {n: [found[t][verdict] / runs for t in truths if t.examiners == n] for n in (1, 2)}
    return " / ".join(f"{100 * max(shares[n]):.1f}%" for n in (1, 2))


def rows(found: Found, runs: int) -> Iterable[tuple[str, ...]]:
    """One row for each error, published or not, and each serial correlation."""
    keys = dict.fromkeys((t.published, t.sem, t.correlation) for t in found)
    for key in keys:
        own = [t for t in found if (t.published, t.sem, t.correlation) == key]
        none, worthwhile = ([t for t in own if t.share == share] for share in (0.0, 1.0))

        def at(truths: list[Truth], verdict: str) -> str:
            shares = [found[t][verdict] / runs for n in (8, 15) for t in truths if (t.visits, t.examiners) == (n, 1)]
            return ", ".join(f"{100 * share:.0f}%" for share in shares)

        yield (
            "published" if key[0] else "not",
            f"{key[1]:.0f}",
            f"{key[2]:.1f}",
            worst(found, "plateau", runs, worthwhile),
            worst(found, "gaining", runs, none),
            worst(found, "order", runs, none),
            worst(found, "beyond", runs, none) if key[0] else "-",
            at(none, "plateau"),
            at(worthwhile, "gaining"),
        )


def main() -> None:
    """Run the grid and print its table."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__)
    parser.add_argument("--runs", type=int, default=400, help="courses of each truth")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    random = Random(given.seed)
    found = {truth: judged(truth, given.runs, random) for truth in grid()}
    print(f"{given.runs} courses of each truth; {VISITS[0]} to {VISITS[-1]} visits; worthwhile: "
          f"{WORTHWHILE_RATE.amount} {WORTHWHILE_RATE.unit} a week; one examiner / two")  # fmt: skip
    print(f"\n| {' | '.join(COLUMNS)} |\n|{'---|' * len(COLUMNS)}")
    for row in rows(found, given.runs):
        print(f"| {' | '.join(row)} |")


if __name__ == "__main__":
    main()
