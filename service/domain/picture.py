"""A photograph or video of a hand: what it shows, and for what the patient consented.

The picture itself stays where the clinic keeps its pictures; the record holds the address only.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from typing import Literal

from service.domain.anatomy import Site
from service.errors import Invalid, Issue

VIEWS: dict[str, str] = {
    "palmar": "from the palm",
    "dorsal": "from the back of the hand",
    "radial": "from the thumb's side",
    "ulnar": "from the little finger's side",
    "axial": "along the fingers",
    "other": "another view",
}
PURPOSES: dict[str, str] = {
    "treatment": "treatment and its record",
    "teaching": "teaching",
    "research": "research",
    "publication": "publication",
}
"""What a patient can have consented to; a purpose that is not named was not consented to."""
_ADDRESS = re.compile(r"https?://\S+|urn:\S+")
_CONTENT = re.compile(r"(image|video)/[\w.+-]+")


@dataclass(frozen=True, slots=True)
class Picture:
    """One photograph or video at an address in the clinic's own store."""

    form: Literal["photo", "video"]
    site: Site
    view: str
    taken: date
    url: str
    content_type: str
    purposes: tuple[str, ...]
    by: str = ""
    title: str = ""
    id: str = ""


def require_lawful_picture(picture: Picture) -> None:
    """Raises `Invalid` for a picture without consent to anything, without an address, or of another form."""
    issues = []
    if picture.view not in VIEWS:
        expected = "one of " + ", ".join(VIEWS)
        issues.append(
            Issue("value", f"'{picture.view}' is not a view.", "view", picture.view, "known-answer", expected)
        )
    if not picture.purposes or any(purpose not in PURPOSES for purpose in picture.purposes):
        message = "A picture needs the purposes that the patient consented to."
        expected = "at least one of " + ", ".join(PURPOSES)
        issues.append(Issue("required", message, "purposes", ", ".join(picture.purposes), "consent-purpose", expected))
    if not _ADDRESS.fullmatch(picture.url):
        message = "The picture stays in the clinic's own store; the record takes its address."
        issues.append(Issue("value", message, "url", picture.url[:80], "picture-address", "https://… or urn:…"))
    expected = {"photo": "image", "video": "video"}[picture.form]
    if not _CONTENT.fullmatch(picture.content_type) or not picture.content_type.startswith(expected):
        message = f"A {picture.form} has a content type of its own."
        example = f"{expected}/{'jpeg' if picture.form == 'photo' else 'mp4'}"
        issues.append(Issue("value", message, "content_type", picture.content_type, "content-type", example))
    if issues:
        raise Invalid(*issues)
