"""The chain against every path counted by hand, and against a reference library of hidden Markov models."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import pytest

from reconcile.matching.chain import LOOKS_BACK, ChainBatch, run_chain

READINGS, SLOTS, STEPS, JOBS = 4, 3, 2, 2


def random_batch(rng: np.random.Generator) -> ChainBatch:
    """One session of four readings, two jobs (the first with two appliances), every factor drawn."""
    wide = LOOKS_BACK * STEPS
    shapes = {
        "onward": (READINGS, 1, wide, STEPS), "leave": (READINGS, 1, 2, wide), "last": (1, wide), "ending": (1, SLOTS),
        "first": (READINGS, 1, STEPS), "again": (READINGS, 1, 2, STEPS), "stray": (READINGS, 1),
        "switch_pause": (READINGS, 1, LOOKS_BACK), "travel_pause": (READINGS, 1, LOOKS_BACK),
        "fresh_label": (READINGS, 1, SLOTS), "stay_label": (READINGS, 1, SLOTS), "typed": (READINGS, 1),
        "enter": (READINGS, 1, JOBS), "departed": (READINGS, 1, LOOKS_BACK, JOBS), "travel": (1, JOBS + 1, JOBS),
        "switch": (1, 2, SLOTS, SLOTS), "resume": (1, 2, 2, SLOTS, SLOTS), "opening": (1, SLOTS),
    }  # fmt: skip
    arrays: dict[str, Any] = {name: rng.random(shape) for name, shape in shapes.items()}
    arrays["typed"] = rng.integers(0, 2, (READINGS, 1)).astype(float)
    arrays["of_job"] = np.array([[[1.0, 0.0], [1.0, 0.0], [0.0, 1.0]]])
    arrays["of_appliance"] = np.eye(SLOTS)[None]
    assert set(arrays) == {field.name for field in fields(ChainBatch)}
    return ChainBatch(**arrays)


def every_path(batch: ChainBatch) -> tuple[np.ndarray, float]:
    """Weight of every slot and step at every reading, and of all paths, each path followed on its own."""
    belongs = np.zeros((READINGS, SLOTS, STEPS))
    total = 0.0
    job = batch.of_job[0].argmax(axis=1)

    def follow(place: int, last: tuple[int, int, int, bool] | None, weight: float, path: list[Any]) -> None:
        nonlocal total
        if place == READINGS:
            if last is not None:
                back = READINGS - 1 - last[0]
                if back >= LOOKS_BACK:
                    return
                weight *= batch.last[0, back * STEPS + last[2]] * batch.ending[0, last[1]]
            total += weight
            for at, chosen in enumerate(path):
                if chosen is not None:
                    belongs[at, chosen[0], chosen[1]] += weight
            return
        follow(place + 1, last, weight * batch.stray[place, 0], [*path, None])
        typed = bool(batch.typed[place, 0])
        for slot in range(SLOTS):
            fresh = batch.fresh_label[place, 0, slot]
            for step in range(STEPS):
                for factor, labelled in ways(place, last, slot, step, fresh, typed):
                    follow(place + 1, (place, slot, step, labelled), weight * factor, [*path, (slot, step)])

    def ways(
        place: int, last: tuple[int, int, int, bool] | None, slot: int, step: int, fresh: float, typed: bool
    ) -> list[tuple[float, bool]]:
        open_ = batch.enter[place, 0, job[slot]] * batch.opening[0, slot] * batch.first[place, 0, step] * fresh
        if last is None:
            return [(batch.travel_pause[place, 0, 0] * batch.travel[0, -1, job[slot]] * open_, typed)]
        before, from_slot, from_step, labelled = last
        back = place - 1 - before
        if back >= LOOKS_BACK:
            return []
        row = back * STEPS + from_step
        leave = batch.leave[place, 0, :, row]
        go = leave.sum() * batch.travel_pause[place, 0, back] * batch.departed[place, 0, back, job[from_slot]]
        found = [(go * batch.travel[0, job[from_slot], job[slot]] * open_, typed)]
        for left in (0, 1):
            beside = leave[left] * batch.switch_pause[place, 0, back] * fresh
            found.append((beside * batch.switch[0, left, from_slot, slot] * batch.first[place, 0, step], typed))
            for state in (0, 1):
                resumed = batch.resume[0, state, left, from_slot, slot] * batch.again[place, 0, state, step]
                found.append((beside * resumed, typed))
        if slot == from_slot:
            label = batch.stay_label[place, 0, slot] if labelled else fresh
            found.append((batch.onward[place, 0, row, step] * label, typed or labelled))
        return found

    follow(0, None, 1.0, [])
    return belongs, total


@pytest.mark.parametrize("seed", range(6))
def test_the_chain_sums_over_every_path(seed: int) -> None:
    batch = random_batch(np.random.default_rng(seed))
    belongs, total = every_path(batch)
    posterior = run_chain(batch)
    np.testing.assert_allclose(np.exp(posterior.evidence[0]), total, rtol=1e-10)
    np.testing.assert_allclose(posterior.belongs[:, 0], belongs / total, rtol=1e-9, atol=1e-14)


@pytest.mark.parametrize("seed", range(5))
def test_the_chain_agrees_with_a_reference_library(seed: int) -> None:
    """Source: hmmlearn, CategoricalHMM: posterior and log likelihood of random models."""
    hmm = pytest.importorskip("hmmlearn.hmm")
    rng = np.random.default_rng(seed)
    states, symbols, count = 4, 3, 40
    stay, start = rng.random(states), rng.dirichlet(np.ones(states))
    switch = rng.dirichlet(np.ones(states), states)
    emission = rng.dirichlet(np.ones(symbols), states)
    seen = rng.integers(0, symbols, count)
    model = hmm.CategoricalHMM(n_components=states)
    model.startprob_, model.emissionprob_ = start, emission
    model.transmat_ = np.diag(stay) + (1.0 - stay)[:, None] * switch
    # A slot a state, all in one job; going on to another slot carries the transition matrix, staying only the same.
    transit = np.diag(stay) + (1.0 - stay)[:, None] * switch
    label = emission[:, seen].T[:, None, :]
    onward = np.zeros((count, 1, LOOKS_BACK, 1))
    leave = np.zeros((count, 1, 2, LOOKS_BACK))
    leave[:, :, 0, 0] = 1.0
    batch = ChainBatch(
        onward=onward, leave=leave, last=np.array([[1.0, 0.0, 0.0]]), ending=np.ones((1, states)),
        first=np.ones((count, 1, 1)), again=np.zeros((count, 1, 2, 1)), stray=np.zeros((count, 1)),
        switch_pause=np.ones((count, 1, LOOKS_BACK)), travel_pause=np.ones((count, 1, LOOKS_BACK)),
        fresh_label=label, stay_label=label, typed=np.ones((count, 1)), enter=np.ones((count, 1, 1)),
        departed=np.zeros((count, 1, LOOKS_BACK, 1)), travel=np.ones((1, 2, 1)), switch=np.stack([transit] * 2)[None],
        resume=np.zeros((1, 2, 2, states, states)), opening=start[None], of_job=np.ones((1, states, 1)),
        of_appliance=np.eye(states)[None],
    )  # fmt: skip
    posterior = run_chain(batch)
    expected = model.predict_proba(seen[:, None])
    np.testing.assert_allclose(posterior.belongs[:, 0, :, 0], expected, atol=1e-9)
    assert posterior.evidence[0] == pytest.approx(model.score(seen[:, None]), rel=1e-9)
