"""The log: one JSON object a line, on standard error, that never holds a name, an identifier, a value or a token.

What may stand in it is listed here, and everything else is left out: a word too few is a nuisance, a name too many is
a breach. Of an error it says the class and the places in the code, not the message, which may quote anything.
"""

from __future__ import annotations

import logging
import sys
import traceback
from collections.abc import Iterator, MutableMapping
from typing import Any

import structlog

Fields = MutableMapping[str, Any]

ALLOWED = frozenset({
    "event", "level", "at", "logger", "reference", "method", "route", "status", "milliseconds", "role", "error",
    "places",
})  # fmt: skip
"""`route` is the pattern of an address (`/fhir/{type}/{id}`), never the address."""

_FOREIGN = "A library said something that is not repeated here."


def speaks(level: int) -> bool:
    """Whether anything is said at this level."""
    return _LOGGER.isEnabledFor(level)


def log(level: int, event: str, **fields: Any) -> None:
    """Say something. `event` is a constant sentence; what it is about stands in `fields` that are `ALLOWED`."""
    if speaks(level):
        _OWN.log(level, event, **fields)


def configure(level: str) -> None:
    """Send everything that this process logs to standard error, whoever says it, and by the rules above."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(_Rules())
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(level.upper())


class _Rules(logging.Formatter):
    """Our own lines as they are; of any other only who said it and, for an error, its class and places."""

    def format(self, record: logging.LogRecord) -> str:
        if record.name == _NAME:
            return record.getMessage()
        fields: Fields = {
            "event": _FOREIGN, "level": record.levelname.lower(), "logger": f"{record.name}:{record.lineno}",
            "exc_info": record.exc_info,
        }  # fmt: skip
        for process in (_AT, _describe_error, _only_allowed):
            fields = process(None, "", fields)
        return str(_JSON(None, "", fields))


def _describe_error(_logger: Any, _method: str, fields: Fields) -> Fields:
    found = fields.pop("exc_info", None)
    error = found[1] if isinstance(found, tuple) else found
    if isinstance(error, BaseException):
        fields["error"] = " from ".join(type(one).__name__ for one in _causes(error))
        fields["places"] = [place for one in _causes(error) for place in _places(one)]
    return fields


def _causes(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__


def _places(error: BaseException) -> Iterator[str]:
    """The lines of code that an error came through: module, function, number; not their text."""
    for frame, line in traceback.walk_tb(error.__traceback__):
        yield f"{frame.f_globals.get('__name__', '?')}.{frame.f_code.co_name}:{line}"


def _only_allowed(_logger: Any, _method: str, fields: Fields) -> Fields:
    return {name: value for name, value in fields.items() if name in ALLOWED}


_NAME = "service"
_LOGGER = logging.getLogger(_NAME)
_AT = structlog.processors.TimeStamper(fmt="iso", utc=True, key="at")
_JSON = structlog.processors.JSONRenderer()
_OWN: structlog.stdlib.BoundLogger = structlog.wrap_logger(
    _LOGGER,
    wrapper_class=structlog.stdlib.BoundLogger,
    processors=[structlog.stdlib.add_log_level, _AT, _describe_error, _only_allowed, _JSON],
)
