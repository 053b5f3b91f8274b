"""Which key of the limits file a finding's limit stands under."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from qc.measures import all_measures
from qc.measures.base import Measure, Rule
from qc.records import Finding

__all__ = ["limit_key"]


def limit_key(finding: Finding, limits: Mapping[str, object]) -> str:
    """Return the key of the limit that a finding broke; empty if that is not sure.

    A plain rule names it. A rule with memory does not: it is then the one key of its
    measure that has the finding's limit for a value, and none if there are several.
    """
    for measure in all_measures():
        if finding.rule not in measure.rule_labels:
            continue
        named = [
            key
            for rule in measure.rules
            if rule.id == finding.rule and (key := _of_grade(rule, finding))
        ]
        keys = named or list(_keys(measure, limits))
        fitting = [key for key in keys if _is(limits.get(key), finding.limit)]
        if len(fitting) == 1:
            return fitting[0]
    return ""


def _of_grade(rule: Rule, finding: Finding) -> str | None:
    name = finding.grade.value
    return {"note": rule.note, "review": rule.review, "reject": rule.reject}.get(name)


def _keys(measure: Measure, limits: Mapping[str, object]) -> Iterator[str]:
    return (key for key in limits if key.partition(".")[0] == measure.name)


def _is(value: object, limit: float | None) -> bool:
    if limit is None or isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return math.isclose(value, limit, rel_tol=1e-6, abs_tol=1e-9)
