"""Muscles that move the hand, and the nerves that serve it: the places of a muscle grade and of an advancing sign.

Which nerve serves which muscle: common practice, no source; individual anatomy varies.
"""

from __future__ import annotations

from collections.abc import Iterator

_SINGLE: dict[str, tuple[str, ...]] = {
    "median": (
        "pronator-teres", "flexor-carpi-radialis", "palmaris-longus", "flexor-pollicis-longus", "pronator-quadratus",
        "abductor-pollicis-brevis", "opponens-pollicis", "flexor-pollicis-brevis",
    ),
    "ulnar": (
        "flexor-carpi-ulnaris", "adductor-pollicis", "abductor-digiti-minimi", "flexor-digiti-minimi",
        "opponens-digiti-minimi", "first-dorsal-interosseous", "second-dorsal-interosseous",
        "third-dorsal-interosseous", "fourth-dorsal-interosseous", "first-palmar-interosseous",
        "second-palmar-interosseous", "third-palmar-interosseous",
    ),
    "radial": (
        "triceps-brachii", "brachioradialis", "extensor-carpi-radialis-longus", "extensor-carpi-radialis-brevis",
        "supinator", "extensor-carpi-ulnaris", "extensor-indicis", "extensor-digiti-minimi",
        "extensor-pollicis-longus", "extensor-pollicis-brevis", "abductor-pollicis-longus",
    ),
    "musculocutaneous": ("biceps-brachii", "brachialis"),
    "axillary": ("deltoid",),
}  # fmt: skip
_FINGERS = ("index", "middle", "ring", "little")
_PER_FINGER: dict[str, tuple[str, ...]] = {
    "flexor-digitorum-superficialis": ("median", "median", "median", "median"),
    "flexor-digitorum-profundus": ("median", "median", "ulnar", "ulnar"),
    "extensor-digitorum": ("radial", "radial", "radial", "radial"),
    "lumbrical": ("median", "median", "ulnar", "ulnar"),
}
NERVES = {
    "median-nerve": "median nerve",
    "ulnar-nerve": "ulnar nerve",
    "radial-nerve": "radial nerve",
    "superficial-radial-nerve": "superficial branch of the radial nerve",
}
"""The trunks of nerves at the forearm and hand, by key."""


def muscles() -> Iterator[tuple[str, str, str]]:
    """Key, name and nerve of every muscle, those of the fingers once for each finger."""
    for nerve, names in _SINGLE.items():
        for key in names:
            yield key, key.replace("-", " "), nerve
    for muscle, nerves in _PER_FINGER.items():
        for finger, nerve in zip(_FINGERS, nerves, strict=True):
            yield f"{muscle}-{finger}", f"{muscle.replace('-', ' ')} of the {finger} finger", nerve
