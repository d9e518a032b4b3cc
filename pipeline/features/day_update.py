"""How far days are worked out into the store, and what finishes them, in tasks that others may carry out."""

from __future__ import annotations

import shutil
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from pipeline.core import contract
from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings
from pipeline.core.sharding import Executor, Shard, cut
from pipeline.core.steps import Step
from pipeline.features import day_statistics
from pipeline.features.day_counts import DayCounts
from pipeline.features.day_store import Cut, Store, day_digest
from pipeline.features.day_tasks import (
    FilesToOpen,
    ShardToCheck,
    ShardToTake,
    check_days,
    open_some,
    take_shard,
)
from pipeline.ingest.lake import Lake, LakeFile
from pipeline.ingest.opened_files import Opened, unlike_the_rest
from pipeline.ingest.registers import Registers

# How often a day is read again whose files are replaced meanwhile.
_TRIES = 3


@dataclass(frozen=True)
class DayState:
    """How far a day is: `noted` its cut if that is on disk, `held` the counts of the shards that are done.

    A day with a damaged file is `probed`: its files are read to their ends before any shard is worked out. It has a
    digest of its own, so that no shard which was done before the damage was found is taken for one of it.
    """

    day: date
    fingerprint: str
    digest: str
    shards: tuple[Shard, ...]
    noted: Cut | None
    held: Mapping[Shard, DayCounts] = field(default_factory=dict)
    in_place: bool = True
    probed: bool = False

    @property
    def is_done(self) -> bool:
        """Every shard is there, and no row of the files is missing or doubled."""
        return (
            self.noted is not None
            and len(self.held) == len(self.shards)
            and sum(counts.rows_in for counts in self.held.values()) == self.noted.rows_in
        )


class DayWork:
    """Looks at days and finishes them; what to do is decided here, the tasks are carried out by `executor`."""

    def __init__(
        self,
        lake: Lake,
        registers: Registers,
        store: Store,
        settings: Settings,
        workdir: Path,
        executor: Executor,
    ) -> None:
        self.lake, self.registers, self.store = lake, registers, store
        self.settings, self.executor = settings, executor
        # A name of its own: what a killed night left running may still write into the folder of that one.
        self.workdir = workdir / f"days-{uuid.uuid4().hex[:8]}"
        self.sky = executor.tables.put("sky", day_statistics.site_sky(registers.sites, settings.day))
        self.limits = executor.tables.put("limits", registers.site_limits(settings.lake))
        homes = registers.sites["site_id"]
        self.shards = cut(homes, settings.lake.homes_per_shard, store.newest_shards())
        self.days_at_once = max(1, executor.width // len(self.shards))

    def look(self, days: Sequence[date]) -> list[DayState]:
        """Return how far each day is."""
        states = [self._begun(day) for day in days]
        days_of_shard: dict[Shard, list[tuple[date, str]]] = {}
        for state in states:
            for shard in state.shards:
                days_of_shard.setdefault(shard, []).append((state.day, state.digest))
        tasks = [
            ShardToCheck(shard, tuple(days), self.sky, self.store) for shard, days in days_of_shard.items()
        ]
        current = dict(zip(days_of_shard, self.executor("check the days", check_days, tasks), strict=True))
        looked = []
        for state in states:
            complete = {s: current[s][state.day] for s in state.shards if state.day in current[s]}
            state = replace(state, held=complete)
            whole = state.noted is not None and len(complete) == len(state.shards)
            looked.append(replace(state, held={}) if whole and not state.is_done else state)
        return looked

    def finish(self, states: Sequence[DayState]) -> list[DayState]:
        """Work out what the days lack, again where their files changed meanwhile."""
        changed = [state.day for state in states if self.lake.fingerprint(state.day) != state.fingerprint]
        left = [state for state in states if state.day not in changed] + self.look(changed)
        finished = [state for state in left if state.is_done]
        left = [state for state in left if not state.is_done]
        for _ in range(_TRIES):
            tried = self._tried(left)
            finished += [state for state in tried if state.is_done]
            left = [state for state in tried if not state.is_done]
            if not left:
                return finished
        if any(not state.in_place for state in left):
            raise NightFailed(f"{self._where(left[0].day)}: the rows don't add up; run the night again")
        raise NightFailed(
            f"{self._where(left[0].day)}: files keep changing while they are read; "
            "run the night again when all of them are there"
        )

    def _begun(self, day: date) -> DayState:
        fingerprint = self.lake.fingerprint(day)
        probed = self._state(day, fingerprint, probed=True)
        return probed if probed.noted else self._state(day, fingerprint, probed=False)

    def _state(self, day: date, fingerprint: str, *, probed: bool) -> DayState:
        # A day that is still to come is all rejects; when its time has come it must be read again.
        when = "future" if day > self.registers.as_of else "past"
        contents = f"{fingerprint} {when} probed" if probed else f"{fingerprint} {when}"
        digest = day_digest(contents, self.settings)
        noted = self.store.cut(day, digest)
        shards = noted.shards if noted else self.shards
        return DayState(day, fingerprint, digest, shards, noted, probed=probed)

    def _tried(self, states: Sequence[DayState]) -> list[DayState]:
        files = {state.day: tuple(self.lake.files(state.day)) for state in states}
        opened = self._opened(states, files)
        tasks = []
        for state in states:
            if (ready := opened[state.day]) is not None:
                self.store.put_cut(
                    state.day, state.digest, Cut(state.shards, sum(opened_file.rows for opened_file in ready))
                )
                tasks += self._pieces(state, ready, len(files[state.day]))
        taken = dict(
            zip(
                [(task.day, task.shard) for task in tasks],
                self.executor(Step.TAKE_IN, take_shard, tasks),
                strict=True,
            )
        )
        tried = []
        for state in states:
            counts_by_shard = {
                shard: counts for (day, shard), counts in taken.items() if day == state.day and counts
            }
            now = replace(
                state, noted=self.store.cut(state.day, state.digest), held={**state.held, **counts_by_shard}
            )
            is_same = self.lake.fingerprint(state.day) == state.fingerprint
            if is_same and now.is_done:
                self.store.drop_stale(state.day, state.digest, state.shards)
                tried.append(now)
            elif is_same and len(now.held) == len(now.shards):
                # A footer that lies about its homes hides rows from all shards; a copy of the file doesn't.
                tried.append(replace(state, held={}, in_place=False))
            elif is_same and opened[state.day] is not None and not state.probed:
                probed = self._state(state.day, state.fingerprint, probed=True)
                tried.append(replace(probed, in_place=state.in_place))
            else:
                tried += self.look([state.day])
            shutil.rmtree(self._folder(state), ignore_errors=True)
        return tried

    def _opened(
        self, states: Sequence[DayState], files: Mapping[date, tuple[LakeFile, ...]]
    ) -> dict[date, list[Opened] | None]:
        """Return each day's files in order as they can be read; None where they changed meanwhile."""
        numbered = {state.day: list(enumerate(files[state.day])) for state in states}
        opened = self._open(states, numbered)
        fine = {day: unlike_the_rest(ready or []) for day, ready in opened.items()}
        again = [replace(state, in_place=False) for state in states if fine[state.day]]
        copies = self._open(
            again,
            {
                state.day: [(opened_file.number, opened_file.file) for opened_file in fine[state.day]]
                for state in again
            },
        )
        for day, copied in copies.items():
            first = opened[day]
            if first is None or copied is None:
                opened[day] = None
            else:
                others = [opened_file for opened_file in first if opened_file not in fine[day]]
                opened[day] = sorted([*others, *copied], key=lambda opened_file: opened_file.number)
        return opened

    def _open(
        self, states: Sequence[DayState], numbered: Mapping[date, list[tuple[int, LakeFile]]]
    ) -> dict[date, list[Opened] | None]:
        required = contract.required("intervals", are_all_single=self.registers.are_all_single)
        tasks = []
        for state in states:
            files = numbered[state.day]
            size = -(-len(files) // self.executor.width) or 1
            self._folder(state).mkdir(parents=True, exist_ok=True)
            tasks += [
                FilesToOpen(
                    self.lake, state.day, state.fingerprint, tuple(files[start : start + size]), required,
                    self._folder(state), state.in_place, state.probed,
                )
                for start in range(0, len(files), size)
            ]  # fmt: skip
        opened: dict[date, list[Opened] | None] = {state.day: [] for state in states}
        for task, opened_files in zip(tasks, self.executor("open the files", open_some, tasks), strict=True):
            before = opened[task.day]
            opened[task.day] = None if before is None or opened_files is None else [*before, *opened_files]
        return opened

    def _pieces(self, state: DayState, ready: list[Opened], files: int) -> list[ShardToTake]:
        return [
            ShardToTake(
                self.lake, state.day, self.registers.as_of, state.fingerprint, state.digest, files,
                tuple(file for file in ready if file.may_hold(shard) or (shard.is_first and file.why)),
                shard, self.limits, self.sky, self.store, self.settings, self._folder(state), state.probed,
            )
            for shard in state.shards
            if shard not in state.held
        ]  # fmt: skip

    def _folder(self, state: DayState) -> Path:
        """Where copies of the day's files lie meanwhile."""
        return self.workdir / f"{state.day}-{state.digest}"

    def _where(self, day: date) -> str:
        return f"{self.lake.root}/intervals/date={day}"
