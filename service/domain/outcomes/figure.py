"""The answers as a picture: a Vega-Lite specification (https://vega.github.io/vega-lite), one panel a question."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from service.domain.metric import Missing
from service.domain.outcomes.answers import Outcomes, Pooling, Reached
from service.domain.outcomes.clustered import Mean
from service.domain.outcomes.lines import NOTE
from service.domain.outcomes.stretches import STAGES

SCHEMA = "https://vega.github.io/schema/vega-lite/v5.json"
INK, QUIET, MARK = "#1c2330", "#7a8494", "#a03c00"
WIDTH, HEIGHT = 560, 200
Spec = dict[str, Any]


def figure_of(found: Outcomes, title: str, unit: str) -> Spec:
    """Rates by stage, the share that reached a milestone, effects by patient; what has no value has no panel."""
    reached = [_reached(found.reached)] if found.reached and found.reached.falls else []
    pooled = [_forest(each) for each in found.pooling if each.effects]
    panels = [*_rates(found, unit), *reached, *pooled]
    return {
        "$schema": SCHEMA,
        "description": f"{title}. {NOTE}" if panels else f"{title}: there is no value to show. {NOTE}",
        "title": {"text": title, "subtitle": _wrapped(NOTE), "anchor": "start"},
        "vconcat": panels or [{"mark": "text", "encoding": {}, "data": {"values": []}}],
        "resolve": {"scale": {"x": "independent", "y": "independent", "color": "independent"}},
        "config": {"font": "sans-serif", "view": {"stroke": None}, "axis": {"gridColor": "#eceff3"}},
        "usermeta": {"note": NOTE},
    }


def _wrapped(words: str, width: int = 95) -> list[str]:
    lines = [""]
    for word in words.split():
        lines = [*lines[:-1], f"{lines[-1]} {word}".strip()] if len(lines[-1] + word) < width else [*lines, word]
    return lines


def _rates(found: Outcomes, unit: str) -> Iterator[Spec]:
    values = [
        {"stage": STAGES[each.stretch.stage], "slope": round(each.slope, 4), "patient": each.stretch.patient[:8]}
        for each in found.rated
        if not isinstance(each.slope, Missing)
    ]
    if not values:
        return
    means = []
    for each in found.summaries:
        if each.by == "stage" and isinstance(each.slope, Mean) and not isinstance(each.slope.interval, Missing):
            low, high = each.slope.interval
            means.append({"stage": each.group, "mean": each.slope.value, "low": low, "high": high})
    stage = {
        "field": "stage",
        "type": "nominal",
        "title": None,
        "sort": list(STAGES.values()),
        "axis": {"labelLimit": 220},
    }
    x: Spec = {"type": "quantitative", "title": f"{unit} a week"}
    yield {
        "title": "Rate of each stretch, and the mean with its interval over patients where there are enough",
        "width": WIDTH,
        "height": HEIGHT / 2,
        "layer": [
            {
                "data": {"values": values},
                "mark": {"type": "tick", "color": QUIET, "thickness": 2},
                "encoding": {"y": stage, "x": {**x, "field": "slope"}},
            },
            *_with_ends(means, "mean", stage, x),
        ],
    }


def _with_ends(values: list[Spec], field: str, y: Spec, x: Spec) -> Iterator[Spec]:
    data = {"values": values}
    rule = {"type": "rule", "color": MARK, "strokeWidth": 2}
    ends = {"y": y, "x": {**x, "field": "low"}, "x2": {"field": "high"}}
    yield {"data": data, "mark": rule, "encoding": ends}
    point = {"type": "point", "filled": True, "size": 70, "color": MARK, "opacity": 1}
    yield {"data": data, "mark": point, "encoding": {"y": y, "x": {**x, "field": field}}}


def _reached(reached: Reached) -> Spec:
    first, second = "first visit at it (Kaplan-Meier)", "between two visits (interval-censored)"
    steps = [{"day": 0.0, "reached": 0.0, "estimate": first}]
    steps += [{"day": fall.day, "reached": fall.reached, "estimate": first} for fall in reached.falls]
    masses = [] if isinstance(reached.masses, Missing) else reached.masses
    total, slants = 0.0, [{"day": 0.0, "reached": 0.0, "estimate": second}] if masses else []
    for mass in masses:
        if mass.high is not None:
            slants.append({"day": mass.low, "reached": total, "estimate": second})
            total += mass.share
            slants.append({"day": mass.high, "reached": total, "estimate": second})
    encoding = {
        "x": {"field": "day", "type": "quantitative", "title": "days since the first reading"},
        "y": {"field": "reached", "type": "quantitative", "title": "share", "scale": {"domain": [0, 1]}},
        "color": {
            "field": "estimate",
            "type": "nominal",
            "title": None,
            "legend": {"orient": "bottom", "labelLimit": 300},
            "scale": {"domain": [first, second], "range": [INK, MARK]},
        },
    }
    return {
        "title": f"Share that reached {reached.value:g} or {reached.better}",
        "width": WIDTH,
        "height": HEIGHT,
        "layer": [
            {"data": {"values": steps}, "mark": {"type": "line", "interpolate": "step-after"}, "encoding": encoding},
            {"data": {"values": slants}, "mark": {"type": "line", "strokeDash": [4, 3]}, "encoding": encoding},
        ],
    }


def _forest(pooling: Pooling) -> Spec:
    """Each patient's effect with 1.96 standard errors either way, the mean, and where another patient's may lie."""
    rows = [
        {"what": each.patient[:8], "value": each.effect, "low": each.effect - 1.96 * each.error,
         "high": each.effect + 1.96 * each.error}
        for each in pooling.effects
    ]  # fmt: skip
    pool = pooling.pooled
    if not isinstance(pool, Missing):
        rows.append({"what": "mean", "value": pool.mean, "low": pool.interval[0], "high": pool.interval[1]})
        if not isinstance(pool.another, Missing):
            low, high = pool.another
            rows.append({"what": "another patient", "value": pool.mean, "low": low, "high": high})
    what = {"field": "what", "type": "nominal", "title": None, "sort": [row["what"] for row in rows]}
    return {
        "title": pooling.meaning,
        "width": WIDTH,
        "height": 18 * len(rows),
        "layer": list(_with_ends(rows, "value", what, {"type": "quantitative", "title": None})),
    }
