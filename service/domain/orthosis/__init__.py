"""Orthoses and casts: what they are, what happened to them, and what may be said about both."""

from service.domain.orthosis.design import REMOVABLE
from service.domain.orthosis.regimens import WEARING
from service.domain.orthosis.statement import OrthosisEpisode, episode_of

require_lawful = episode_of

__all__ = ["REMOVABLE", "WEARING", "OrthosisEpisode", "require_lawful"]
