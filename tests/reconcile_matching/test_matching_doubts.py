"""What keeps a likely match from being taken unasked: stopped clocks, labels of others, rounds that are too many."""

from __future__ import annotations

import csv
import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cli.__main__ import run
from reconcile.matching.doubts import MOST_ASIDE, few_together
from reconcile.matching.stopped_clocks import FEWEST_RECORDS, MOST_OF_A_KIND, has_stopped

SAMPLE = Path(__file__).resolve().parents[2] / "sample_exports" / "plain_day"


def rows(folder: Path, tmp_path: Path, name: str) -> dict[tuple[str, int], dict[str, str]]:
    """The readings of a dataset by export and line."""
    out = tmp_path / f"{name}_out"
    run(["run", str(folder), "--book", str(tmp_path / f"{name}_book"), "--out", str(out), "--no-pdf"])
    with (out / "evidence.csv").open(encoding="utf-8", newline="") as stream:
        names = {row["sha256"]: Path(row["original_name"]).name for row in csv.DictReader(stream)}
    with (out / "readings.csv").open(encoding="utf-8", newline="") as stream:
        return {(names[row["evidence_sha256"]], int(row["record_no"])): row for row in csv.DictReader(stream)}


def day(tmp_path: Path, name: str) -> Path:
    return Path(shutil.copytree(SAMPLE, tmp_path / name))


def change(folder: Path, name: str, pattern: str, to: str) -> None:
    path = folder / name
    text = path.read_text(encoding="utf-8")
    assert re.search(pattern, text)
    path.write_text(re.sub(pattern, to, text), encoding="utf-8")


def test_a_clock_that_stands_still_puts_nothing_at_a_wrong_appliance(tmp_path: Path) -> None:
    true = rows(day(tmp_path, "plain"), tmp_path, "plain")
    folder = day(tmp_path, "still")
    change(folder, "multifunction.csv", r"2031-04-02,\d\d:\d\d:\d\d", "2031-04-02,07:03:00")
    found = rows(folder, tmp_path, "still")
    assert found.keys() == true.keys()
    sure = [place for place, row in found.items() if row["match_status"] == "auto"]
    assert len(sure) > len(found) * 0.8
    assert {found[place]["appliance_id"] == true[place]["appliance_id"] for place in sure} == {True}
    still = [row for (name, _), row in found.items() if name == "multifunction.csv"]
    assert still and all(row["taken_at"] == "" for row in still)


def stamped(times: list[float], kinds: list[int], labels: list[str]) -> pd.DataFrame:
    count = len(times)
    return pd.DataFrame(
        {"file": 0, "time_s": times, "record_no": range(count), "label": labels[:count], "kind": kinds[:count]}
    )


@pytest.mark.parametrize(
    ("records", "kinds", "labels", "stopped"),
    [
        (FEWEST_RECORDS, 1, ["K", "L"] * 20, True),
        (FEWEST_RECORDS - 1, 1, ["K", "L"] * 20, False),
        (FEWEST_RECORDS, FEWEST_RECORDS, ["K"] * 20, False),
        (3 * (MOST_OF_A_KIND + 1), 3, ["K"] * 20, True),
        (3 * MOST_OF_A_KIND, 3, ["K"] * 20, False),
    ],
)
def test_one_time_on_many_records_is_no_clock(records: int, kinds: int, labels: list[str], stopped: bool) -> None:
    table = stamped([5.0] * records, [at % kinds for at in range(records)], labels)
    assert has_stopped(table).tolist() == [stopped] * records


def test_records_of_different_times_or_without_one_have_not_stopped() -> None:
    labels = ["K", "L"] * 10
    assert not has_stopped(stamped([float(at) for at in range(20)], [1] * 20, labels)).any()
    assert not has_stopped(stamped([np.nan] * 20, [1] * 20, labels)).any()


def test_a_long_run_that_belongs_nowhere_is_not_thrown_away() -> None:
    lost = np.array([True] * MOST_ASIDE + [False] + [True] * (MOST_ASIDE + 1))
    assert few_together(lost).tolist() == [True] * MOST_ASIDE + [False] * (MOST_ASIDE + 2)


def test_a_label_of_another_appliance_is_never_overruled_unasked(tmp_path: Path) -> None:
    true = rows(day(tmp_path, "plain"), tmp_path, "plain")
    labels = {row["label"]: row["appliance_id"] for row in true.values() if row["label"]}
    assert len(labels) > 2
    folder = day(tmp_path, "swapped")
    first, *_, last = labels
    change(folder, "multifunction.csv", re.escape(first), last)
    found = rows(folder, tmp_path, "swapped")
    swapped = [place for place, row in true.items() if place[0] == "multifunction.csv" and row["label"] == first]
    assert swapped
    for place in swapped:
        row = found[place]
        assert row["match_status"] != "auto" or row["appliance_id"] == labels[last], row


def test_a_label_kept_for_a_whole_visit_is_asked_about(tmp_path: Path) -> None:
    true = rows(day(tmp_path, "plain"), tmp_path, "plain")
    folder = day(tmp_path, "kept")
    order = list(dict.fromkeys(row["label"] for row in true.values() if row["label"]))
    for name in ("multifunction.csv", "indicator.csv"):
        change(folder, name, re.escape(order[1]), order[0])
    found = rows(folder, tmp_path, "kept")
    kept = [place for place, row in true.items() if row["label"] == order[1]]
    assert kept
    for place in kept:
        row = found[place]
        assert row["match_status"] != "auto" or row["appliance_id"] == true[place]["appliance_id"], row
