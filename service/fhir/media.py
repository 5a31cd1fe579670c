"""A photograph or video of a hand as Media, and back."""

from __future__ import annotations

from datetime import date

from service.domain.anatomy import site_of_code
from service.domain.picture import VIEWS, Picture, require_lawful_picture
from service.domain.terms import Term
from service.errors import Invalid, Issue
from service.fhir.canonical import code_system, profile
from service.fhir.observation import SITE_SYSTEM, concept
from service.fhir.reading import code_in
from service.fhir.text import Json

PICTURE_PROFILE, PURPOSE = profile("hand-picture"), profile("consent-purpose")
VIEW_SYSTEM = code_system("picture-view")
_TYPES = "http://terminology.hl7.org/CodeSystem/media-type"


def to_media(picture: Picture, patient: str) -> Json:
    """The Media that states a picture; its content is an address."""
    content = {"contentType": picture.content_type, "url": picture.url}
    return {
        "resourceType": "Media",
        "meta": {"profile": [PICTURE_PROFILE]},
        "extension": [{"url": PURPOSE, "valueCode": purpose} for purpose in picture.purposes],
        "status": "completed",
        "type": {"coding": [{"system": _TYPES, "code": "video" if picture.form == "video" else "image"}]},
        "view": concept(VIEW_SYSTEM, Term(picture.view, VIEWS.get(picture.view, picture.view))),
        "subject": {"reference": patient},
        "createdDateTime": picture.taken.isoformat(),
        **({"operator": {"display": picture.by}} if picture.by else {}),
        "bodySite": concept(SITE_SYSTEM, picture.site.term),
        "content": {**content, **({"title": picture.title} if picture.title else {})},
    }


def from_media(resource: Json) -> Picture:
    """The picture a Media of our profile states. Raises `Invalid` for an unlawful one."""
    content = resource.get("content") or {}
    if "data" in content:
        message = "The picture stays in the clinic's own store; the record takes its address."
        raise Invalid(Issue("value", message, "content.data", "", "picture-address", "content.url"))
    text = str(resource.get("createdDateTime") or "")[:10]
    try:
        taken = date.fromisoformat(text)
    except ValueError:
        message = "A picture needs the day on which it was taken."
        raise Invalid(Issue("required", message, "createdDateTime", text, "picture-day", "a day")) from None
    made = Picture(
        form="video" if code_in(resource.get("type"), _TYPES) == "video" else "photo",
        site=site_of_code(code_in(resource.get("bodySite"), SITE_SYSTEM)),
        view=code_in(resource.get("view"), VIEW_SYSTEM),
        taken=taken,
        url=str(content.get("url", "")),
        content_type=str(content.get("contentType", "")),
        purposes=tuple(str(e.get("valueCode")) for e in resource.get("extension") or [] if e.get("url") == PURPOSE),
        by=str((resource.get("operator") or {}).get("display", "")),
        title=str(content.get("title", "")),
        id=str(resource.get("id", "")),
    )
    require_lawful_picture(made)
    return made
