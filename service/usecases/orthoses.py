"""Orthoses and casts: what was decided, made, fitted, worn, changed and ended."""

from __future__ import annotations

from service.domain.actor import Actor
from service.domain.orthosis import OrthosisEpisode, require_lawful
from service.errors import Duplicate, Issue
from service.fhir.orthosis import to_device, to_device_use
from service.storage.records import Reader, Writer
from service.storage.stored import Stored
from service.usecases.resources import create


def record_orthosis(writer: Writer, actor: Actor, episode: OrthosisEpisode) -> Stored:
    """Write down an orthosis and how it is worn; answers the DeviceUseStatement.

    The same episode again changes nothing; its key with other content is refused.
    """
    require_lawful(episode)
    known = find_orthosis(writer, actor, episode.key)
    if known is not None:
        device = writer.get("Device", str(known.resource["device"]["reference"]).removeprefix("Device/"))
        if _content(device) == to_device(episode) and _content(known) == to_device_use(episode, device.reference):
            return known
        message = "An orthosis episode with this key is already recorded, with other content."
        raise Duplicate(Issue("duplicate", message, "key", "|".join(episode.key), "episode-key", "a key of its own"))
    device = create(writer, actor, to_device(episode)).stored
    return create(writer, actor, to_device_use(episode, device.reference)).stored


def find_orthosis(reader: Reader, _actor: Actor, key: tuple[str, str]) -> Stored | None:
    """The DeviceUseStatement of the episode with this key, or None."""
    return reader.by_identifier("DeviceUseStatement", *key)


def _content(stored: Stored) -> dict[str, object]:
    resource = stored.resource
    resource.pop("id")
    resource["meta"] = {"profile": resource["meta"]["profile"]}
    return resource
