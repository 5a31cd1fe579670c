"""A course as a picture: a Vega-Lite specification (https://vega.github.io/vega-lite) and the table of its values.

One panel for each measure, the days on one axis: the values with their error, the band within which a later value
would not count as change from the first, the goals, the other hand where it may serve as reference, and beneath it all
the orthoses that were worn. Whatever the picture shows stands in the table as well.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from service.domain.change.answers import Aim
from service.domain.change.comparable import Point, Trajectory
from service.domain.change.phases import Phase
from service.domain.change.verdict import limit_of
from service.domain.error import ELSEWHERE
from service.domain.metric import Missing

SCHEMA = "https://vega.github.io/schema/vega-lite/v5.json"
NO_ERROR = "error not published"
AT_95 = Decimal("1.96")
"""Standard errors on either side of a value that hold 95% of readings of the same hand (normal distribution)."""
INK, QUIET, BAND, AIM = "#1c2330", "#7a8494", "#d9e2ec", "#a03c00"
WIDTH, HEIGHT, ROW = 560, 190, 18
LEAST_SPAN: Mapping[str, Decimal] = {"deg": Decimal(20), "kgf": Decimal(10)}
"""The least an axis spans, by unit, else a fifth of the highest value: a rule of this record."""

Spec = dict[str, Any]
Row = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Panel:
    """What one panel shows. `reference` is the same measure of the other hand, None where it may not serve."""

    trajectory: Trajectory
    aims: tuple[Aim, ...] = ()
    reference: Trajectory | None = None

    @property
    def title(self) -> str:
        """The measure, the part and the conditions, in words."""
        told = [answer.replace("-", " ") for answer in self.trajectory.conditions.values() if answer != "unknown"]
        around = f" ({', '.join(told)})" if told else ""
        return f"{self.trajectory.title}, {self.trajectory.site.name}{around}"

    @property
    def unit(self) -> str:
        """The unit as an axis shows it."""
        return "step" if self.trajectory.scale == "rank" else self.trajectory.unit


COLUMNS = ("day", "measure", "part", "conditions", "value", "unit", "lowest", "highest", "error", "changed", "worn")


def table_of(panels: Iterable[Panel], phases: Sequence[Phase]) -> list[Row]:
    """Every value of the picture, one a row, in the order of the panels and of time; names as `COLUMNS`.

    `lowest` and `highest` are 1.96 standard errors off; None where no error is published.
    """
    rows: list[Row] = []
    for panel in panels:
        line = panel.trajectory
        for point in line.points:
            low, high = _ends(panel, point)
            rows.append({
                "day": point.day.isoformat(),
                "measure": line.title,
                "part": line.site.name,
                "conditions": ", ".join(a.replace("-", " ") for a in line.conditions.values() if a != "unknown"),
                "value": point.value,
                "unit": panel.unit,
                "lowest": low,
                "highest": high,
                "error": "published" if low is not None else _lack(panel),
                "changed": "; ".join(point.changed),
                "worn": _worn(point, phases),
            })  # fmt: skip
    return rows


def chart_of(panels: Sequence[Panel], phases: Sequence[Phase], until: date, caution: str, subject: str = "") -> Spec:
    """The specification; `until` is the last day that the bands of orthoses reach to."""
    days = [point.day for panel in panels for point in panel.trajectory.points]
    first = min(days, default=until)
    ends = [worn.until or until for phase in phases for worn in phase.worn]
    last = max([*days, *(min(end, until) for end in ends)], default=until)
    span = [first.isoformat(), (last + timedelta(days=1)).isoformat()]
    bands = [_bands(phases, first, until, span)] if any(phase.worn for phase in phases) else []
    rows = table_of(panels, phases)
    return {
        "$schema": SCHEMA,
        "description": _description(panels, rows),
        "title": {
            "text": [*filter(None, [subject]), *caution.replace(". ", ".\n").splitlines()],
            "anchor": "start",
            "fontSize": 10,
            "fontWeight": "normal",
        },
        "vconcat": [*(_panel(panel, span) for panel in panels), *bands],
        "resolve": {"scale": {"x": "shared"}},
        "config": {"font": "sans-serif", "view": {"stroke": None}, "axis": {"gridColor": "#eceff3"}},
        "usermeta": {"caution": caution, "table": rows},
    }


def _description(panels: Sequence[Panel], rows: Sequence[Row]) -> str:
    if not rows:
        return "There is no value to show."
    told = [f"{panel.title}: {_told(panel)}" for panel in panels]
    return "; ".join(told) + ". The same values stand in the table."


def _told(panel: Panel) -> str:
    points, unit = panel.trajectory.points, panel.unit
    if len(points) == 1:
        return f"{points[0].value} {unit} on {points[0].day.isoformat()}"
    first, last = points[0], points[-1]
    span = f"from {first.day.isoformat()} to {last.day.isoformat()}"
    return f"{len(points)} values, {first.value} to {last.value} {unit}, {span}"


def _panel(panel: Panel, span: Sequence[str]) -> Spec:
    behind = [*_least(panel), *_limit(panel, span), *_aims(panel, span)]
    layers = [*behind, *_other_hand(panel), *_errors(panel), *_values(panel)]
    shown = panel.title if _has_error(panel) else f"{panel.title}: {_lack(panel)}"
    return {
        "title": {"text": shown, "anchor": "start", "fontSize": 12, **_bars(panel)},
        "width": WIDTH,
        "height": HEIGHT,
        "layer": layers,
    }


def _bars(panel: Panel) -> Spec:
    return {"subtitle": f"bars: {AT_95} standard errors either side"} if _has_error(panel) else {}


def _least(panel: Panel) -> Iterator[Spec]:
    """Marks that are not seen, at the ends of the least span: an axis never blows up what hardly changes."""
    values = [point.value for point in panel.trajectory.points]
    if not values or panel.trajectory.scale == "rank":
        return
    low, high = min(values), max(values)
    missing = LEAST_SPAN.get(panel.unit, abs(high) / 5) - (high - low)
    if missing > 0:
        ends = [{"value": low - missing / 2}, {"value": high + missing / 2}]
        yield {"data": {"values": ends}, "mark": {"type": "tick", "opacity": 0}, "encoding": {"y": _y(panel)}}


def _x(span: Sequence[str] | None = None, field: str = "day") -> Spec:
    domain = {"scale": {"domain": list(span)}} if span else {}
    return {
        "field": field,
        "type": "temporal",
        "title": None,
        "axis": {"format": "%d %b %Y", "labelAngle": -30},
        **domain,
    }


def _y(panel: Panel, field: str = "value") -> Spec:
    return {"field": field, "type": "quantitative", "title": panel.unit, "scale": {"zero": False}}


def _values(panel: Panel) -> Iterator[Spec]:
    values = [
        {
            "day": p.day.isoformat(),
            "value": p.value,
            "changed": "something around it changed" if p.changed else "as before",
            "told": "; ".join(p.changed) or "nothing",
        }
        for p in panel.trajectory.points
    ]
    tip = [{"field": name, "type": "nominal"} for name in ("day", "value", "told")]
    scale = {"domain": ["as before", "something around it changed"], "range": ["circle", "diamond"]}
    shape = {"field": "changed", "type": "nominal", "title": "Examiner, instrument, method", "scale": scale}
    yield {"data": {"values": values}, "mark": {"type": "line", "color": INK}, "encoding": {"x": _x(), "y": _y(panel)}}
    point = {"type": "point", "filled": True, "size": 60, "color": INK, "opacity": 1}
    encoding = {"x": _x(), "y": _y(panel), "shape": shape, "tooltip": tip}
    yield {"data": {"values": values}, "mark": point, "encoding": encoding}


def _has_error(panel: Panel) -> bool:
    return not isinstance(limit_of(panel.trajectory), Missing)


def _ends(panel: Panel, point: Point) -> tuple[Decimal | None, Decimal | None]:
    limit = limit_of(panel.trajectory)
    if isinstance(limit, Missing):
        return None, None
    return point.value - AT_95 * limit.sem, point.value + AT_95 * limit.sem


def _errors(panel: Panel) -> Iterator[Spec]:
    if not _has_error(panel):
        return
    ends = [(point, *_ends(panel, point)) for point in panel.trajectory.points]
    values = [{"day": point.day.isoformat(), "low": low, "high": high} for point, low, high in ends]
    encoding = {"x": _x(), "y": _y(panel, "low"), "y2": {"field": "high"}}
    yield {"data": {"values": values}, "mark": {"type": "rule", "color": INK, "strokeWidth": 1.2}, "encoding": encoding}


def _lack(panel: Panel) -> str:
    """Why no error is drawn: none is published, or it is published for a metric of these readings."""
    return ELSEWHERE.get(panel.trajectory.key[0], NO_ERROR)


def _limit(panel: Panel, span: Sequence[str]) -> Iterator[Spec]:
    """The band around the first value: what stays within it does not count as change."""
    limit, points = limit_of(panel.trajectory), panel.trajectory.points
    if isinstance(limit, Missing) or not points:
        return
    first = points[0].value
    band = {"from": span[0], "to": span[1], "low": first - limit.most, "high": first + limit.most}
    yield {
        "data": {"values": [band]},
        "mark": {"type": "rect", "color": BAND, "opacity": 0.7},
        "encoding": {
            "x": _x(span, "from"), "x2": {"field": "to"}, "y": _y(panel, "low"), "y2": {"field": "high"},
        },
    }  # fmt: skip
    yield _words(panel, span[1], first + limit.most, "within the error of the first value", QUIET)


def _aims(panel: Panel, span: Sequence[str]) -> Iterator[Spec]:
    for aim in panel.aims:
        values = [{"value": aim.value}]
        rule = {"type": "rule", "color": AIM, "strokeDash": [6, 3]}
        yield {"data": {"values": values}, "mark": rule, "encoding": {"y": _y(panel)}}
        yield _words(panel, span[1], aim.value, f"goal: {aim.what}", AIM)


def _other_hand(panel: Panel) -> Iterator[Spec]:
    if panel.reference is None:
        return
    values = [{"day": p.day.isoformat(), "value": p.value} for p in panel.reference.points]
    mark = {"type": "line", "color": QUIET, "strokeDash": [2, 2], "point": {"color": QUIET, "size": 30}}
    yield {"data": {"values": values}, "mark": mark, "encoding": {"x": _x(), "y": _y(panel)}}
    if values:
        yield _words(panel, values[-1]["day"], values[-1]["value"], "other hand", QUIET)


def _words(panel: Panel, day: Any, value: Any, what: str, color: str) -> Spec:
    """Words that end at a place of the panel, above it."""
    mark = {"type": "text", "color": color, "align": "right", "dy": -7}
    encoding = {"x": _x(), "y": _y(panel), "text": {"field": "what"}}
    return {"data": {"values": [{"day": day, "value": value, "what": what}]}, "mark": mark, "encoding": encoding}


def _bands(phases: Sequence[Phase], first: date, until: date, span: Sequence[str]) -> Spec:
    values = [
        {
            "from": max(worn.since, first).isoformat(),
            "to": min(worn.until or until, until).isoformat(),
            "what": worn.name,
        }
        for phase in phases
        for worn in phase.worn
    ]
    distinct = [dict(each) for each in dict.fromkeys(tuple(value.items()) for value in values)]
    rows = len({each["what"] for each in distinct})
    return {
        "title": {"text": "Orthoses worn", "anchor": "start"},
        "width": WIDTH,
        "height": ROW * rows,
        "data": {"values": distinct},
        "mark": {"type": "bar", "color": QUIET, "height": ROW - 6},
        "encoding": {
            "x": _x(span, "from"),
            "x2": {"field": "to"},
            "y": {"field": "what", "type": "nominal", "title": None, "axis": {"labelLimit": 260}},
        },
    }


def _worn(point: Point, phases: Sequence[Phase]) -> str:
    """What was worn when a reading was taken; before the first phase had begun it is the first."""
    begun = [phase for phase in phases if phase.began_before(point)]
    return (begun[-1] if begun else phases[0]).label if phases else ""
