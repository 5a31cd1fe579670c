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
_LOGGER = structlog.stdlib.get_logger("service")


def configure(level: str) -> None:
    """Send everything that this process logs, whoever says it, through the rules above."""
    shared: list[structlog.typing.Processor] = [
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True, key="at"),
        _describe_error,
    ]
    structlog.configure(
        processors=[
            structlog.stdlib.filter_by_level,
            *shared,
            structlog.stdlib.ProcessorFormatter.wrap_for_formatter,
        ],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )
    formatter = structlog.stdlib.ProcessorFormatter(
        foreign_pre_chain=[_name_foreign, *shared],
        processors=[
            structlog.stdlib.ProcessorFormatter.remove_processors_meta,
            _only_allowed,
            structlog.processors.JSONRenderer(),
        ],
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(formatter)
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(level.upper())
    for name in ("uvicorn", "uvicorn.error", "uvicorn.access"):
        logging.getLogger(name).handlers = []
        logging.getLogger(name).propagate = True


def log(level: int, event: str, **fields: Any) -> None:
    """Say something. `event` is a constant sentence; what it is about stands in `fields` that are `ALLOWED`."""
    _LOGGER.log(level, event, **fields)


def _name_foreign(_logger: Any, _method: str, fields: Fields) -> Fields:
    record: logging.LogRecord = fields["_record"]
    return {
        "event": _FOREIGN, "logger": f"{record.name}:{record.lineno}", "exc_info": record.exc_info,
        "_record": record, "_from_structlog": False,
    }  # fmt: skip


def _describe_error(_logger: Any, _method: str, fields: Fields) -> Fields:
    found = fields.pop("exc_info", None)
    error = found if isinstance(found, BaseException) else found[1] if isinstance(found, tuple) else None
    if error is not None:
        fields["error"] = " from ".join(type(one).__name__ for one in _causes(error))
        fields["places"] = [place for one in _causes(error) for place in _places(one)]
    fields.pop("exc_text", None)
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
