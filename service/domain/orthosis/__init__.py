"""Orthoses and casts: what they are, what happened to them, and what may be said about both."""

from service.domain.orthosis.statement import OrthosisEpisode

__all__ = ["OrthosisEpisode"]
