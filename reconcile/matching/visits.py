"""The visits that the job list promises: when each was, with which meter, and its appliances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from reconcile.matching.labels import Names, plain_label

Numbers = NDArray[np.float64]
Places = NDArray[np.int64]

USUAL_VISIT_S: Final = 75 * 60.0
"""How long a visit to one appliance lasts where only one end of it is known (common practice)."""

SHORT_VISIT_S: Final = 30 * 60.0
"""No visit is taken to be shorter than this where its end is not known."""

UNDATED_MARGIN_S: Final = 12 * 3600.0
FEW_DAYS_S: Final = 4 * 86400.0
NIGHT_S: Final = 3 * 3600.0
LONGEST_DAY_S: Final = 20 * 3600.0


@dataclass(frozen=True, kw_only=True)
class Visits:
    """The jobs of the list that have appliances, as arrays sorted by ``low_s``; their appliances, job by job.

    ``low_s`` to ``high_s`` [s since 1970]: the time the list gives, or a span borrowed from its neighbours in the list
    (``dated`` false), or NaN where there is none; ``rank_s``: what puts the visits in their order [s since 1970], NaN
    where nothing does; ``arrived_s`` and ``left_s`` as listed. ``reach_s``: the longest such
    span. ``attended`` false: no access or cancelled. ``serials`` are the meters named, ``named_serials`` all of them,
    ``engineers_of`` each the engineers of those jobs.
    ``day``: number of the working day (−1
    where unknown).
    ``first_appliance`` (jobs + 1): the appliances of a job are those from its entry to the next.
    ``called``: for each way of naming an appliance its weight and the plain names (see plain_label); the first is the
    label of the list, empty where it has none, ``words`` all of them. ``has_rcd``: the list
    knows of an RCD; ``class_two``: of construction class II, which has no earth to test.
    """

    job_id: NDArray[np.object_]
    low_s: Numbers
    high_s: Numbers
    arrived_s: Numbers
    left_s: Numbers
    dated: NDArray[np.bool_]
    rank_s: Numbers
    reach_s: float
    attended: NDArray[np.bool_]
    engineer: Places
    serials: list[frozenset[str]]
    named_serials: frozenset[str]
    engineers_of: dict[str, frozenset[int]]
    day: Places
    first_appliance: Places
    appliance_id: NDArray[np.object_]
    appliance_job: Places
    called: tuple[tuple[float, NDArray[np.object_]], ...]
    words: frozenset[str]
    has_rcd: NDArray[np.bool_]
    class_two: NDArray[np.bool_]

    @property
    def several_engineers(self) -> bool:
        """True where the list names more than one."""
        return len(np.unique(self.engineer[self.engineer >= 0])) > 1


def list_visits(jobs: pd.DataFrame, appliances: pd.DataFrame) -> Visits:
    """The visits of a job list (schemas Jobs, Appliances). Appliances of unknown jobs are left out."""
    table = _job_times(jobs[jobs["job_id"].isin(appliances["job_id"])], appliances["job_id"].value_counts())
    place = {job_id: number for number, job_id in enumerate(table["job_id"])}
    known = appliances[appliances["job_id"].isin(place)]
    known = known.assign(job=known["job_id"].map(place).astype("int64")).sort_values(
        ["job", "sequence", "appliance_id"]
    )
    job_of = known["job"].to_numpy(dtype=np.int64)
    low_s, high_s = table["low_s"].to_numpy(), table["high_s"].to_numpy()
    spans = (high_s - low_s)[np.isfinite(low_s)]
    return Visits(
        job_id=_texts(table["job_id"]),
        low_s=low_s,
        high_s=high_s,
        arrived_s=table["arrived_s"].to_numpy(),
        left_s=table["left_s"].to_numpy(),
        dated=table["dated"].to_numpy(dtype=bool),
        rank_s=table["rank_s"].to_numpy(),
        reach_s=float(spans.max()) if len(spans) else 0.0,
        attended=~table["status"].isin(["no access", "cancelled"]).to_numpy(),
        engineer=(engineer := np.asarray(pd.factorize(table["engineer"])[0], dtype=np.int64)),
        serials=(serials := [frozenset(text.split()) for text in table["meter_serials"].fillna("")]),
        named_serials=frozenset().union(*serials),
        engineers_of=_engineers_of(serials, engineer),
        day=_working_days(low_s, high_s, table["dated"].to_numpy(dtype=bool)),
        first_appliance=np.searchsorted(job_of, np.arange(len(table) + 1)),
        appliance_id=_texts(known["appliance_id"]),
        appliance_job=job_of,
        has_rcd=known["rcd_rated_ma"].notna().to_numpy(),
        class_two=(known["construction_class"] == "II").to_numpy(dtype=bool),
        called=(called := _called(known.assign(site=table["site"].to_numpy(dtype=object)[job_of]))),
        words=frozenset(text for _, names in called for text in names if text),
    )


def _engineers_of(serials: list[frozenset[str]], engineer: Places) -> dict[str, frozenset[int]]:
    """The engineers of the jobs that name each meter."""
    found: dict[str, set[int]] = {}
    for named, who in zip(serials, engineer, strict=True):
        for serial in named:
            if who >= 0:
                found.setdefault(serial, set()).add(int(who))
    return {serial: frozenset(those) for serial, those in found.items()}


OTHER_NAMES: Final = {"appliance_id": 0.2, "location": 0.04, "kind": 0.03, "site": 0.02}
"""How often engineers type something else than the listed label (common practice, from memory)."""


def _called(appliances: pd.DataFrame) -> tuple[tuple[float, NDArray[np.object_]], ...]:
    """Every way of calling each appliance: label, id, place, kind, last word of the kind, words of the site."""
    ways = [(1.0, appliances["label"])]
    ways += [(weight, appliances[column]) for column, weight in OTHER_NAMES.items() if column != "site"]
    ways.append((OTHER_NAMES["kind"], appliances["kind"].astype("str").str.split().str[-1]))
    words = appliances["site"].astype("str").str.findall(r"[^\W\d_]{3,}")
    ways += [(OTHER_NAMES["site"], words.str[place]) for place in (0, 1)]
    return tuple(
        (weight, np.array([plain_label(text) for text in _texts(names)], dtype=object)) for weight, names in ways
    )


def names_of(visits: Visits, appliances: Places) -> Names:
    """What these appliances are called."""
    return Names(
        label=tuple(visits.called[0][1][appliances]),
        others=tuple((weight, tuple(names[appliances])) for weight, names in visits.called[1:]),
    )


def _job_times(jobs: pd.DataFrame, appliances: pd.Series) -> pd.DataFrame:
    """Jobs with ``low_s``, ``high_s`` [s since 1970] and ``dated``, sorted by time and then by place in the list.

    ``appliances``: how many each job has. A visit whose end is not listed lasts as long as its appliances usually take,
    or until the same engineer's next one begins.
    """
    arrived, left = _seconds(jobs["arrived_at"]), _seconds(jobs["left_at"])
    low_s, high_s = np.fmin(arrived, left), np.fmax(arrived, left)
    usual_s = USUAL_VISIT_S * jobs["job_id"].map(appliances).to_numpy(dtype=np.float64)
    next_s = _next_arrival(low_s, jobs["engineer"].fillna("").to_numpy(dtype=object))
    low_s = np.where(np.isnan(arrived), high_s - USUAL_VISIT_S, low_s)
    until_s = np.fmax(np.fmin(low_s + usual_s, next_s), low_s + SHORT_VISIT_S)
    high_s = np.where(np.isnan(left), until_s, high_s)
    table = jobs.assign(low_s=low_s, high_s=high_s, arrived_s=arrived, left_s=left, dated=~np.isnan(low_s)).sort_values(
        ["sequence", "job_id"]
    )
    table = _borrow_times(table)
    return table.sort_values(["low_s", "sequence", "job_id"], na_position="last").reset_index(drop=True)


def _next_arrival(low_s: Numbers, engineer: NDArray[np.object_]) -> Numbers:
    """When the same engineer's next visit begins [s since 1970], NaN after the last."""
    order = np.lexsort((low_s, engineer))
    later = np.full(len(low_s), np.nan)
    same = engineer[order][1:] == engineer[order][:-1]
    later[order[:-1]] = np.where(same & (low_s[order][1:] > low_s[order][:-1]), low_s[order][1:], np.nan)
    return later


def _borrow_times(table: pd.DataFrame) -> pd.DataFrame:
    """Jobs without any time take the span from the dated job before them in the list to the dated job after.

    The list is read an engineer at a time. Where its dated jobs are in the order of the day the span is widened by a
    quarter of a day at either end; where they are not, the place in a list of a few days says nothing, in a longer one
    no more than the day.
    """
    undated = ~table["dated"]
    if not undated.any():
        return table.assign(rank_s=table["low_s"])
    engineer = table["engineer"].fillna("")
    jumbled = engineer.map(_jumbled(table, engineer))
    before = table["low_s"].groupby(engineer).ffill()
    after = table["high_s"].groupby(engineer).bfill()
    before, after = before.fillna(after - UNDATED_MARGIN_S), after.fillna(before + UNDATED_MARGIN_S)
    first = table["low_s"].groupby(engineer).transform("min")
    last = table["high_s"].groupby(engineer).transform("max")
    anywhere = jumbled & (last - first < FEW_DAYS_S)
    before, after = before.where(~anywhere, first), after.where(~anywhere, last)
    margin_s = UNDATED_MARGIN_S * np.where(jumbled, 1.0, 0.5)
    low = np.minimum(before, after) - margin_s
    high = np.maximum(before, after) + margin_s
    return table.assign(
        low_s=table["low_s"].where(~undated, low),
        high_s=table["high_s"].where(~undated, high),
        rank_s=_rank(table, engineer).where(~(undated & jumbled)),
    )


def _rank(table: pd.DataFrame, engineer: pd.Series) -> pd.Series:
    """When each visit was [s since 1970], those without hours a moment after the one before them in the list."""
    place = table.groupby(engineer).cumcount().astype("float64")
    before = table["low_s"].groupby(engineer).ffill()
    after = table["low_s"].groupby(engineer).bfill() - len(table)
    return before.fillna(after) + place.where(~table["dated"], 0.0)


def _jumbled(table: pd.DataFrame, engineer: pd.Series) -> pd.Series:
    """For each engineer, whether any job with a time stands in the list after one that was later."""
    low_s = table["low_s"][table["dated"]]
    back = low_s.groupby(engineer).diff() < 0.0
    return back.groupby(engineer).any().reindex(engineer.unique(), fill_value=False)


def _working_days(low_s: Numbers, high_s: Numbers, dated: NDArray[np.bool_]) -> Places:
    """Working days of dated jobs: between two nights (nobody at any job for three hours), or 20 h at a time."""
    day = np.full(len(low_s), -1, dtype=np.int64)
    number, until, began = -1, -np.inf, -np.inf
    for place in np.flatnonzero(dated):
        if low_s[place] > until + NIGHT_S or low_s[place] > began + LONGEST_DAY_S:
            number, began, until = number + 1, low_s[place], high_s[place]
        until = max(until, high_s[place])
        day[place] = number
    return day


def _seconds(moments: pd.Series) -> Numbers:
    nanoseconds = moments.to_numpy(dtype="datetime64[ns]").astype(np.int64).astype(np.float64)
    return np.where(moments.isna().to_numpy(), np.nan, nanoseconds / 1e9)


def _texts(column: pd.Series) -> NDArray[np.object_]:
    return np.asarray(column.astype(object).where(column.notna(), None).to_numpy(), dtype=object)
