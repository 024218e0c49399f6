"""Each transducer against its peers: shifts, who is to blame, and the fault's name.

One minute after the other; between minutes the verdict stands.
"""

from __future__ import annotations

import numpy as np

from gateway.measure.blocks import Bools, Floats, Readings
from gateway.measure.columns import Columns, Ints
from gateway.measure.uncertainty import COVERAGE, standard_uncertainty

from .agreement import Agreement
from .detector import Condition
from .fanoff import RECENT_S, FanOff
from .jumps import Jumps
from .learning import Learning
from .minutes import Minutes, width_of
from .naming import FAULTS, Suspect, name
from .picture import RUNNING, STOPPED, Picture
from .shifts import QUICK, Shifts
from .states import States
from .trend import Trail, rate
from .verdict import WITNESSES, blank, conditions
from .witnesses import Case, blame

WAIT = 2
"""Minutes between a change being seen and its name, so that a step is over."""
TESTED = 10
"""Running minutes from which on "nothing wrong" is an answer."""
NEAR_S = 900.0
"""A jump this long before a change is seen may have been its beginning."""
USUAL = 0.05
"""Share by which the pressure of a loop may differ from the learnt one without being strange."""
END = 0.01
"""Share of range beside its ends that counts as the end."""
LOUDER = 4.0
"""Times its usual row-to-row noise from which on a reading is not named at once."""
STUBBORN = 5
"""Minutes that another name must hold before the first is given up."""
LEAST_SPEED_SD = 0.03
"""Share of pressure: fan speed never tells better than this (common practice)."""


class Pairs:
    """Judge of shifts; holds the picture it learns."""

    def __init__(self, columns: Columns, picture: Picture, arl0: float) -> None:
        t, n_loops = len(columns.transducers.ids), len(columns.loops.ids)
        self._columns, self.picture = columns, picture
        self.shifts = Shifts(columns, arl0)
        self._jumps = Jumps(columns)
        self._agreement = Agreement(columns)
        self._states = States(columns)
        self._trail = Trail(t)
        self._loop = np.zeros(t, dtype=np.int64)
        for k, members in enumerate(columns.loops.members):
            self._loop[members] = k
        self._learning = Learning(columns, picture, self._loop)
        # Sums and differences have no peers that should read the same.
        alike = np.array([c not in ("sum", "difference") for c in columns.loops.combine])
        self._has_peers = np.zeros(t, dtype=np.bool_)
        for k, members in enumerate(columns.loops.members):
            self._has_peers[members] = alike[k] and len(members) > 1
        self._level: Floats = np.full(t, np.nan)
        self._peers: Floats = np.full(t, np.nan)
        self._off = FanOff(columns, picture, self._loop)
        self._since: Floats = np.full(t, np.nan)
        self._jump: Floats = np.zeros(t)
        self._sudden: Bools = np.zeros(t, dtype=np.bool_)
        self._width = width_of(columns)
        self._doubts = np.zeros(t, dtype=np.int64)
        self._tested = np.zeros(t, dtype=np.int64)
        self._troubled: Bools = np.zeros(n_loops, dtype=np.bool_)
        self._speed: Floats = np.full(n_loops, np.nan)
        self.verdict = blank(t, n_loops)

    def examine(
        self, readings: Readings, minutes: Minutes, trouble: Bools
    ) -> tuple[Condition, ...]:
        """(R, T) conditions of FAULTS, and (R, L) of disagreement.

        trouble: (R, L) where link or wire are wrong: no learning, no testing.
        """
        step, jumped = self._jumps.rows(readings)
        stands = [(0, self.verdict.copy())]
        tested = [self._tested >= TESTED]
        start = 0
        for k, row in enumerate(minutes.row.tolist()):
            self._take_rows(readings.time, step, jumped, trouble, slice(start, row))
            self._minute(minutes, k)
            stands.append((row, self.verdict.copy()))
            tested.append(self._tested >= TESTED)
            start = row
        self._take_rows(readings.time, step, jumped, trouble, slice(start, len(readings)))
        live_zero = self._columns.transducers.signal_low > 0
        named, unresolved = conditions(readings, stands, tested, live_zero)
        return *named, *self._agreement.examine(readings, unresolved)

    def forget(self, loop: int) -> None:
        """Start again with one loop, after work on it."""
        members = self._columns.loops.members[loop]
        which = np.zeros(len(self._loop), dtype=np.bool_)
        which[members] = True
        self.shifts.forget(which)
        self._learning.forget(loop)
        self._off.forget(which)
        self._since[which] = np.nan
        self.verdict.fault[which] = -1
        self.verdict.unresolved[loop] = False
        for k in members:
            self._trail.forget(int(k))

    def _take_rows(
        self, time: Floats, step: Floats, jumped: Bools, trouble: Bools, part: slice
    ) -> None:
        self._troubled |= trouble[part].any(axis=0)
        for row in np.flatnonzero(jumped[part].any(axis=1)) + part.start:
            self._jumps.take(float(time[row]), step[row], jumped[row])

    def _minute(self, minutes: Minutes, k: int) -> None:
        time, t = float(minutes.start[k]), self._columns.transducers
        self._states.step(minutes, k)
        self._jumps.hear(minutes.rough[k])
        quiet = ~self._troubled[self._loop]
        good = (minutes.count[k] > 0) & (minutes.bad[k] == 0) & self._has_peers & quiet
        # Two that both stand at the same end of the range tell nothing of each other.
        end = self._end(minutes.mean[k])
        good &= (end == 0) | (end != self._end(minutes.peer.y[k]))
        running = self._states.settled(RUNNING)[self._loop] & good
        stopped = self._states.settled(STOPPED)[self._loop] & good
        self._troubled[:] = False
        difference = minutes.peer.x[k] - minutes.peer.y[k]
        u = standard_uncertainty(np.array([time]), t)[0]
        limit = COVERAGE * np.sqrt(u**2 + self._peers_u(u) ** 2)
        self._tested += running
        self._level[running] = minutes.mean[k][running]
        self._peers[running] = minutes.peer.y[k][running]
        drive = (minutes.output[k] ** 2)[self._loop]
        self.shifts.step(
            time, np.where(running, difference, np.nan), drive, self._strange(minutes.mean[k]),
            limit, self.picture,
        )  # fmt: skip
        self._trail.add(time, np.where(running, self.shifts.shift(self.picture), np.nan))
        self._off.step(time, minutes.mean[k], difference, stopped, limit)
        self._note_speed(minutes, k)
        wrong = self.shifts.changed | self._off.alone(limit)
        self._since = np.where(wrong, np.where(np.isnan(self._since), time, self._since), np.nan)
        self._sudden &= wrong
        # The jump that began a change is kept: later doors and starts are not its doing.
        young = wrong & (time - self._since <= WAIT * self._width)
        young = self._in_loop(young) & self._has_peers
        near = np.abs(self._jumps.time - time) < NEAR_S
        self._jump[young] = np.where(near, self._jumps.size, 0.0)[young]
        for loop in range(len(self._columns.loops.ids)):
            self._judge(loop, wrong, minutes, k, limit)
        self._learning.take(minutes, k, running, stopped, wrong)

    def _end(self, pressure: Floats) -> Ints:
        """(T,) the end of the transducer's range at or beyond which a pressure is: -1, 1, or 0."""
        t = self._columns.transducers
        share = (pressure - t.lrv) / t.span
        return np.where(share <= END, -1, np.where(share >= 1 - END, 1, 0))

    def _strange(self, mean: Floats) -> Floats:
        """(T,) share by which every member of the loop is away from its learnt level at least.

        One transducer that is wrong does not make the loop's pressure strange, all of them do.
        """
        learnt = self.picture.level[RUNNING]
        with np.errstate(invalid="ignore", divide="ignore"):
            away = np.abs(mean / np.where(learnt == 0, np.nan, learnt) - 1)
        away = np.where(np.isfinite(away), away, 0.0)
        has = self._columns.loops.has
        least = np.where(has, away, np.inf).min(axis=1, initial=np.inf)
        return np.maximum(least[self._loop] - USUAL, 0.0) if len(least) else away

    def _in_loop(self, which: Bools) -> Bools:
        """(T,) where any member of the same loop is one of `which`."""
        some = np.asarray((self._columns.loops.has & which).any(axis=1), dtype=np.bool_)
        return some[self._loop] if len(some) else which

    def _peers_u(self, u: Floats) -> Floats:
        """(T,) uncertainty of the peers' median: that of the least certain of them."""
        has = self._columns.loops.has
        worst = np.where(has, u, 0.0).max(axis=1, initial=0.0)
        out: Floats = worst[self._loop] if len(worst) else u
        return out

    def _note_speed(self, minutes: Minutes, k: int) -> None:
        speed2 = minutes.output[k] ** 2
        expected = self.picture.speed_mean * speed2
        seen = np.isfinite(expected) & self._states.settled(RUNNING)
        self._speed[seen] = np.where(np.isnan(self._speed), expected, self._speed)[seen]
        self._speed[seen] += QUICK * (expected - self._speed)[seen]

    def _judge(self, loop: int, wrong: Bools, minutes: Minutes, k: int, limit: Floats) -> None:
        members = self._columns.loops.members[loop]
        mine = members[wrong[members]]
        v = self.verdict
        if not len(mine):
            v.fault[members] = -1
            v.unresolved[loop] = False
            return
        if not (self._states.settled(RUNNING) | self._states.settled(STOPPED))[loop]:
            return  # an opinion stands while the fan starts or stops
        calm = bool((minutes.rough[k][members] <= LOUDER * self._jumps.usual[members]).all())
        begun = float(np.nanmin(self._since[mine]))
        if not self._over(members, float(minutes.start[k]), begun, calm=calm):
            return
        case = self._case(loop, members, limit)
        who, sure, witness = blame(case)
        named = v.fault[members]
        if who < 0 and (named >= 0).any():
            return  # an opinion stands until a better one comes
        if who < 0:
            v.unresolved[loop] = True
            return
        self._name(int(members[who]), members, case, who, (sure, witness), minutes, k)
        v.unresolved[loop] = False

    def _over(self, members: Ints, minute: float, since: float, *, calm: bool) -> bool:
        """Whether what began is over: a whole calm minute after its jump, or some without one."""
        jump = float(self._jumps.time[members].max())
        if calm and jump >= since - self._width:
            return minute >= jump
        return minute - since >= (WAIT - 0.5) * self._width

    def _case(self, loop: int, members: Ints, limit: Floats) -> Case:
        p, sh = self.picture, self.shifts
        since = np.nanmin(self._since[members])
        enough = p.speed_count[loop] >= 120
        mean = p.speed_mean[loop]
        relative = np.sqrt(p.speed_square[loop] / max(p.speed_count[loop], 1.0)) / max(
            abs(mean), 1e-12
        )
        by_speed = self._speed[loop] if enough else np.nan
        return Case(
            combine=self._columns.loops.combine[loop],
            shift=sh.shift(p)[members],
            level=self._level[members],
            peers=self._peers[members],
            standing=self._off.standing_since(since - RECENT_S)[members],
            jump=self._jump[members],
            by_speed=float(by_speed),
            speed_sd=float(max(relative, LEAST_SPEED_SD) * abs(by_speed)),
            limit=limit[members],
            matters=sh.matters[members],
        )

    def _name(
        self, t: int, members: Ints, case: Case, who: int, sure: tuple[float, str],
        minutes: Minutes, k: int,
    ) -> None:  # fmt: skip
        v, columns = self.verdict, self._columns.transducers
        at_rest = minutes.changes[k][t] == 0 and columns.signal_low[t] <= 0
        suspect = Suspect(
            shift=float(case.shift[who]), level=float(case.level[who]),
            peers=float(case.peers[who]), standing=float(self._off.parted_since(self._since)[t]),
            limit=float(case.limit[who]), matters=float(case.matters[who]),
            dead=bool(at_rest and abs(case.level[who] - columns.lrv[t]) < columns.resolution[t]),
            sudden=self._was_sudden(t, case, who),
            at_end=bool(self._end(self._level)[t]),
        )  # fmt: skip
        fault, which = name(suspect)
        code = FAULTS.index(fault)
        others = members[members != t]
        if v.fault[t] not in (-1, code) or (v.fault[others] >= 0).any():
            self._doubts[t] += 1
            if self._doubts[t] < STUBBORN:
                return
        self._doubts[members] = 0
        v.fault[others] = -1
        v.fault[t], v.confidence[t] = code, sure[0] * which
        self._evidence(t, suspect, sure[1])

    def _was_sudden(self, t: int, case: Case, who: int) -> bool:
        """Whether the change began with a jump; once it did, it did."""
        self._sudden[t] |= abs(case.jump[who]) > abs(case.shift[who]) / 4
        return bool(self._sudden[t])

    def _evidence(self, t: int, suspect: Suspect, witness: str) -> None:
        e = self.verdict.evidence
        e["shift_Pa"][t], e["reading_Pa"][t] = suspect.shift, suspect.level
        e["peers_Pa"][t], e["standing_Pa"][t] = suspect.peers, suspect.standing
        e["witness"][t] = WITNESSES.index(witness)
        found = rate(*self._trail.of(t), float(self._columns.transducers.tolerance[t]))
        if found:
            e["drift_per_day_Pa"][t] = found.per_day
            e["drift_low_Pa"][t], e["drift_high_Pa"][t] = found.low, found.high
            e["days_to_tolerance"][t] = found.days_left
