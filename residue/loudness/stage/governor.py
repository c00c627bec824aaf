"""The last stage before the sink: it keeps every cap over every window."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from residue.dsp import exact
from residue.loudness.caps.caps import Cap
from residue.loudness.caps.ears import Ear, ear_of
from residue.loudness.caps.instants import instant_cap
from residue.loudness.caps.listeners import LONGEST_HOPS, Hearing, Listener
from residue.loudness.meters.hops import HOP_FRAMES, HOP_RATE_HZ
from residue.loudness.meters.weightings import FELT, Weighting
from residue.loudness.outputs.outputs import Output
from residue.loudness.stage.budget import RECOVERY_DB_PER_S, Budget, ending_share, share_of, shares_of_hops
from residue.loudness.stage.ending import Reach
from residue.loudness.stage.history import LogLag, SentHistory
from residue.loudness.stage.lasting import Lasting
from residue.loudness.stage.limiter import FADE_FRAMES
from residue.loudness.stage.received import CapsToKeep, ReceivedHop
from residue.loudness.stage.sent_record import SentRecord
from residue.loudness.stage.steering import MovingHop, Parts, gain_in_few_steps, greatest_gain

Floats = NDArray[np.float64]

_LEAST_RECOVERY = exact.gain_from_db(-60.0)
_SLOW = (Weighting.G, *FELT)
"""These ring for longer than a hop."""
_RINGS_ON = 1.05
"""For what rings for longer than LONGEST_HOPS: the slowest poles, of Wk and Wd at 0.4 Hz, have lost 97 % by then."""
_STEPS_BACK = (1.0, 0.999, 0.9, 0.0)
"""The solved gain is tried first; because of rounding, or of a tail that no gain affects, a lower one may be needed."""


class Governor:
    """Keeps every cap with a gain that all outputs share.

    The gain moves in a straight line from one boundary of hops to the next, and one hop is held back. At its end the
    gain is the greatest at which the held hop, under the line, keeps every cap, and the hop after it, at that gain
    throughout, keeps every cap as well; and, for caps that hold at every moment, the hop after it may fade out into
    silence. So there is always a way to continue. The governor weights and counts exactly the sound that is sent, with
    the tails of filters.

    For sound that no plan foresees, the gain also follows the rate that each budget can spend without end (Lasting), so
    that no budget is used up and no sound is silenced. A budget of one output then first lowers the outputs of its
    kind, and no other.

    It can also decide slice by slice: then one slice is held back instead of one hop. Energies are still counted in
    hops: of a hop that grows counts what is known of it. Each slice must leave room in every budget for its own fast
    fade, and for the ringing of the weightings after it.
    """

    def __init__(
        self,
        ears: Sequence[Ear],
        outputs: Mapping[str, Output],
        caps: Sequence[Cap],
        history: SentHistory,
        slice_frames: int = HOP_FRAMES,
    ) -> None:
        self._slice_frames, self._slices = slice_frames, HOP_FRAMES // slice_frames
        self._slice = 0
        """The number of the held slice in its hop, from 0."""
        self._recovery = exact.gain_from_db(RECOVERY_DB_PER_S * (slice_frames / HOP_RATE_HZ))
        self._rise = np.arange(1, slice_frames + 1) / slice_frames
        self._fall = np.minimum(1.0, np.arange(1, slice_frames + 1) / min(FADE_FRAMES, slice_frames))
        self._record = SentRecord(len(ears), history)
        self._held: Floats = np.zeros((len(outputs), slice_frames))
        self._promised: CapsToKeep | None = None
        """The caps under which the held hop was accepted, if others have come into force since then."""
        self._within_reach = Reach((), (), len(outputs), slice_frames)
        self._heed(ears, outputs, caps, {})
        self.lag = LogLag.NONE
        """What the log does not tell yet: no hop may then use more than Budget.spared_units."""
        self._sparing = LogLag.NONE
        """The same, as it holds already: of a hop that has begun to sound, the rest is let through as before."""
        self._harmless = True  # whether the present sound, at any gain, keeps the caps that hold at every moment
        self._roomy = True  # whether any ending leaves room in the budgets
        self._hearing = self._rested()
        self._projected = self._hear(self._hearing, self._held)
        self._planned = True
        self._lasting: dict[Budget, Lasting] = {}
        """For the budgets whose last window contains unplanned sound."""
        self._asked = {True: self._projected, False: self._projected}
        """Where sound is unplanned: the last hop as received at full gain, before outputs were lowered alone (True),
        and after (False).
        """
        self._alone_gains = np.ones((len(outputs), 1))
        """The gains at the end of the last hop, for outputs that are lowered alone."""
        self._returns_to = 0.0
        """The gain before stricter caps came into force: it may rise to it at once where they leave room."""
        self.gain = 1.0
        """The gain of all outputs at the end of the last hop."""
        self._whole = Hearing({ear.weighting for ear in ears}, len(outputs))
        """The state of what was sent, for all ears, after the last whole hop; only used with slices."""
        self._sent: Floats = np.zeros((len(outputs), HOP_FRAMES))
        self.heard = self._projected
        """The last whole hop, as it was sent."""
        self.cuts = 0
        """Hops that were silenced because no gain would have kept the caps."""

    @property
    def lowest_gain(self) -> float:
        """The lowest gain of any output."""
        return self.gain * float(np.min(self._alone_gains))

    def _heed(
        self, ears: Sequence[Ear], outputs: Mapping[str, Output], caps: Sequence[Cap], known: Mapping[Cap, Budget]
    ) -> None:
        """Uses these ears and caps from here on. known: budgets that continue unchanged."""
        self.ears = tuple(ears)
        index = {ear.key: at for at, ear in enumerate(self.ears)}
        heard_by = {cap: index[ear_of(cap, outputs).key] for cap in caps}
        self.heeded = frozenset(heard_by.values())
        """Indices of the ears that caps use."""
        means = [cap for cap in caps if cap.quantity.windowed]
        self.budgets = tuple(known.get(cap) or self._budget(cap, heard_by[cap]) for cap in means)
        self._budget_ears = tuple(heard_by[cap] for cap in means)
        self._alone = {
            budget: kind
            for budget, ear in zip(self.budgets, self._budget_ears, strict=True)
            if (kind := _kind(self.ears[ear], outputs)) is not None
        }
        """For a budget of one output: the outputs that it lowers, (outputs,)."""
        self.instants = tuple(instant_cap(cap, heard_by[cap]) for cap in caps if not cap.quantity.windowed)
        self._listen = Listener(self.ears, self.instants)
        self._listen_for_caps = Listener(self.ears, self.instants, self.heeded, self._slice_frames)
        slow = [self.ears[at].weighting in _SLOW for at in self._budget_ears]
        self._ringing = tuple(_RINGS_ON if one else float(self._slices > 1) for one in slow)
        """By budget, the factor for the ringing that is heard after a fade; 0 where the knee has room for it."""
        means_heard = [self.ears[at] for at in self._budget_ears] if any(self._ringing) else []
        self._within_reach.heed(self.instants, self.ears, means_heard)
        self._silence = np.zeros((len(outputs), (LONGEST_HOPS if any(slow) else 1) * HOP_FRAMES))
        """What comes after an ending, as long as the weightings ring."""

    def _budget(self, cap: Cap, ear: int) -> Budget:
        budget = Budget(cap, self.ears[ear], self._record.before)
        budget.count(self._record.units(budget.terms, ear))
        return budget

    def tighten(self, ears: Sequence[Ear], outputs: Mapping[str, Output], caps: Sequence[Cap]) -> None:
        """Keeps these caps from the next hop on; none of the present caps may be missing or have a higher limit.

        ears: the present ones, and further ones that the caps need. The sound sent so far counts against the new caps.
        The held hop was accepted under the present caps: it keeps those, and fades to a level that the new ones allow.
        Raises TypeError where it decides in slices: nothing is known then of a part of a hop at another ear.
        """
        if self._slices > 1:
            raise TypeError("Caps cannot become stricter where a hop is decided on in slices")
        self._record.listen_to(len(ears))
        self._returns_to = max(self._returns_to, self.gain)
        self._promised = CapsToKeep(self.budgets, self._budget_ears, self.instants)
        self._heed(ears, outputs, caps, {budget.cap: budget for budget in self.budgets})
        self._projected = self._hear(self._hearing, self._held)
        self._lasting = {budget: one for budget, one in self._lasting.items() if budget in self.budgets}
        for budget in self.budgets:
            if budget not in self._promised.budgets:  # the present sound was planned without the new caps
                self._see_no_more(budget, self._projected, Lasting(budget))

    def begin_programme(self, *, planned: bool, in_order: bool) -> None:
        """Notes that a plan lowers the following frames, and knows the sound before them. Otherwise they are unplanned.

        A cap whose last window contains no unplanned sound is left to the plan again.
        """
        self._planned = planned
        if not (planned and in_order):
            for budget in self.budgets:
                lasting = self._lasting.get(budget) or Lasting(budget, slices=self._slices)
                self._see_no_more(budget, self._projected, lasting)

    def _see_no_more(self, budget: Budget, asked: ReceivedHop, lasting: Lasting) -> None:
        """Spends a budget at a rate that lasts, until its window contains no unplanned sound. asked: the last hop."""
        alone = budget in self._alone
        if not any((other in self._alone) == alone for other in self._lasting):
            self._asked[alone] = asked
        lasting.unforeseen_hops = budget.terms.hops
        self._lasting[budget] = lasting

    def _lowered_alone(self, hop: Floats) -> Floats:
        """The hop, with unplanned outputs lowered that are too loud by themselves to continue.

        Their gain falls at the beginning of the hop that shows it, so that no other output is lowered for it. It rises
        as slowly as the gain of all outputs.
        """
        before, gains = self._alone_gains, np.clip(self._alone_gains * self._recovery, _LEAST_RECOVERY, 1.0)
        for budget, lasting, units in self._unforeseen(hop, alone=True):
            left = (budget.left() - self._projected.units[self.budgets.index(budget)]) / budget.terms.knee
            lasts = min(lasting.gain_power(units), budget.terms.gain_power(max(0.0, left) / max(units, 1)))
            outputs = self._alone[budget]
            gains[outputs] = np.minimum(gains[outputs], np.sqrt(lasts))
        self._alone_gains = gains
        if np.all(before == 1.0) and np.all(gains == 1.0):
            return hop
        lowered: Floats = hop * (before + (gains - before) * np.where(gains < before, self._fall, self._rise))
        return lowered

    def _lasting_gain(self, hop: Floats) -> float:
        """The gain of all outputs at which unplanned sound like the next hop could continue without end."""
        powers = []
        for budget, lasting, units in self._unforeseen(hop, alone=False):
            powers.append(lasting.gain_power(units))
            if self._slices > 1:  # so that the first slices of a hop do not take what the last ones need
                most = min(budget.left() / budget.terms.knee, budget.spared_units[self._sparing])
                powers.append(budget.terms.gain_power(max(0.0, most) / max(units, 1)))
        return float(np.sqrt(min(powers, default=1.0)))

    def _unforeseen(self, hop: Floats, *, alone: bool) -> list[tuple[Budget, Lasting, int]]:
        """The budgets with unplanned sound, with the units that a hop like the next slice would use at full gain."""
        lasting = [(budget, one) for budget, one in self._lasting.items() if (budget in self._alone) == alone]
        if not lasting:
            return []
        before = self._asked[alone]
        now = self._asked[alone] = self._hear(before.hearing, hop)
        earlier = [0] * len(now.units) if self._begins_hop else before.units
        added = [(grown - other) * self._slices for grown, other in zip(now.units, earlier, strict=True)]
        units = dict(zip(self.budgets, added, strict=True))
        return [(budget, one, units[budget]) for budget, one in lasting]

    @property
    def whole_hop(self) -> bool:
        """Whether the last slice that was sent was the last of its hop."""
        return self._slice == 0

    @property
    def _begins_hop(self) -> bool:
        """Whether the next slice is the first of its hop."""
        return self._slice == self._slices - 1

    @property
    def _completes_hop(self) -> bool:
        """Whether the next slice is the last of its hop: the ringing after it is in another."""
        return self._slice == (self._slices - 2) % self._slices

    def _foresee_again(self) -> None:
        """One more hop was planned: budgets whose window contains no unplanned sound any more are left to the plan."""
        if self._begins_hop and self._planned and self._lasting:
            for lasting in self._lasting.values():
                lasting.unforeseen_hops -= 1
            self._lasting = {budget: one for budget, one in self._lasting.items() if one.unforeseen_hops > 0}

    def __call__(self, hop: Floats) -> Floats:
        """Takes one slice, (outputs, slice_frames), and gives the one before it; a slice may be a whole hop."""
        if self._begins_hop or not any(self._projected.units):
            self._sparing = self.lag
        hop = self._lowered_alone(hop)
        # While nothing is written down the gain only rises as slowly as Budget.spared_units foresees.
        rising = max(self.gain * self._recovery, _LEAST_RECOVERY, 0.0 if self._sparing else self._returns_to)
        target = min(1.0, rising, self._lasting_gain(hop))
        self._foresee_again()
        self._harmless = self._within_reach(hop)
        self._roomy = not any(self._ringing) or self._has_room_for_any_ending()
        if self._promised is not None:
            promised, self._promised = self._promised, None
            return self._entered(hop, min(self.gain, target), promised)
        if self.gain == target == 1.0:
            self._returns_to = 0.0
            after = self._hear(self._projected.hearing, hop)
            if self._keeps_after(self._projected, after) and self._can_end(self._projected, hop):
                return self._send(self._held, self._projected, hop, after, target)
            self._notice_unforeseen(after)
        solved = self._solved(hop, above=target if self._slices > 1 else 1.0)
        if solved >= target:
            self._returns_to = 0.0
        return self._steered(hop, min(target, solved))

    def _rested(self) -> Hearing:
        listened = self.ears if self._slices == 1 else [self.ears[at] for at in self.heeded]
        return Hearing({ear.weighting for ear in listened}, len(self._held))

    def _hear(self, before: Hearing, hop: Floats) -> ReceivedHop:
        """Slices are heard by the caps alone, which is faster; all ears then hear the whole hop."""
        hearing = before.copy()
        weighted, heard = hearing(hop, self._listen if self._slices == 1 else self._listen_for_caps)
        energy = heard.energy
        units = tuple(
            budget.terms.units(float(energy[ear])) for budget, ear in zip(self.budgets, self._budget_ears, strict=True)
        )
        return ReceivedHop(
            hearing=hearing, weighted=weighted, energy=energy, peak=heard.peak, fast=heard.fast, units=units
        )

    def _instants_keep(self, heard: ReceivedHop) -> bool:
        return all(instant.used(heard.peak, heard.fast) <= 1.0 for instant in self.instants)

    def _keeps_after(self, heard: ReceivedHop, after: ReceivedHop) -> bool:
        """Whether the caps allow a hop after the hop before it has been sent."""
        return self._instants_keep(after) and all(
            budget.terms.knee * units <= self._left_after(budget, now) and units <= budget.spared_units[self._sparing]
            for budget, now, units in zip(self.budgets, heard.units, after.units, strict=True)
        )

    def _left_after(self, budget: Budget, now: int) -> int:
        """The units that are left for the hop of the next slice. now: those of the hop of the held slice."""
        return budget.left() - now + budget.oldest if self._begins_hop else budget.left()

    def _notice_unforeseen(self, after: ReceivedHop) -> None:
        """Counts sound as unplanned if a plan leaves no room for a hop: it was wrong, until the next programme."""
        for budget, now, units in zip(self.budgets, self._projected.units, after.units, strict=True):
            if budget not in self._lasting and budget.terms.knee * units > self._left_after(budget, now):
                part = 1 if self._begins_hop else self._slice + 2
                self._see_no_more(budget, after, Lasting(budget, units * self._slices / part, self._slices))
                self._planned = False

    def _can_end(self, heard: ReceivedHop, hop: Floats) -> bool:
        """Whether a hop may be the last, after the hop before it has been sent.

        The knee of a budget has room for the ringing after a fade over a whole hop, but not over a slice, and not where
        a weighting rings for longer.
        """
        if self._harmless and self._roomy:
            return True
        faded = self._hear(heard.hearing, hop * (1.0 - self._rise))
        silence = self._hear(faded.hearing, self._silence)
        has_room = self._roomy or all(
            units * rings + (last if self._completes_hop else 0) <= self._left_after(budget, now)
            for budget, rings, now, last, units in zip(
                self.budgets, self._ringing, heard.units, faded.units, silence.units, strict=True
            )
            if rings
        )
        return has_room and self._instants_keep(faded) and self._instants_keep(silence)

    def _has_room_for_any_ending(self) -> bool:
        """Whether, at any gain, every budget has room for the next slice and all that may ring after it."""
        frames = self._silence.shape[1] + 2 * self._slice_frames
        return all(
            units + budget.terms.units(reached**budget.terms.power * frames) <= budget.left()
            for budget, rings, units, reached in zip(
                self.budgets, self._ringing, self._projected.units, self._within_reach.reached, strict=True
            )
            if rings
        )

    def _keeps(self, heard: ReceivedHop) -> bool:
        """Whether the next hop may be sent with the knee kept."""
        return self._instants_keep(heard) and all(
            budget.terms.knee * units <= budget.left() for budget, units in zip(self.budgets, heard.units, strict=True)
        )

    def _holds(self, heard: ReceivedHop) -> bool:
        """Whether the caps themselves hold if the next hop is sent."""
        return self._instants_keep(heard) and all(
            units <= budget.left() for budget, units in zip(self.budgets, heard.units, strict=True)
        )

    def _steered(self, hop: Floats, solved: float) -> Floats:
        """Sends the held hop under a falling or rising line of gain that keeps the caps."""
        for step in _STEPS_BACK:
            gain = solved * step
            sent = self._held * (self.gain + (gain - self.gain) * self._rise)
            heard = self._hear(self._hearing, sent)
            after = self._hear(heard.hearing, hop * gain)
            if self._keeps(heard) and self._keeps_after(heard, after) and self._can_end(heard, hop * gain):
                return self._send(sent, heard, hop, after, gain)
        if not self._holds(heard) and self.gain > 0.0:
            self.cuts += 1
            sent = np.zeros_like(hop)
            heard = self._hear(self._hearing, sent)
            after = self._hear(heard.hearing, sent)
        return self._send(sent, heard, hop, after, 0.0)

    def _entered(self, hop: Floats, most: float, promised: CapsToKeep) -> Floats:
        """Sends the held hop, which keeps the former caps, and moves to a gain that keeps the new caps."""
        solved = min(most, self._solved(hop, held=False))
        for step in _STEPS_BACK:
            gain = solved * step
            sent = self._held * (self.gain + (gain - self.gain) * self._rise)
            heard = self._hear(self._hearing, sent)
            after = self._hear(heard.hearing, hop * gain)
            if promised.keep(heard) and self._keeps_after(heard, after) and self._can_end(heard, hop * gain):
                break
        return self._send(sent, heard, hop, after, gain)

    def _send(self, sent: Floats, heard: ReceivedHop, hop: Floats, after: ReceivedHop, gain: float) -> Floats:
        self._sent[:, self._slice * self._slice_frames : (self._slice + 1) * self._slice_frames] = sent
        if self._begins_hop:
            for budget, units in zip(self.budgets, heard.units, strict=True):
                budget.send(units)
            self.heard = heard if self._slices == 1 else self._heard_whole()
            self._record.add(self.heard.energy)
        self._slice = (self._slice + 1) % self._slices
        self._hearing, self._projected, self._held, self.gain = heard.hearing, after, hop, gain
        return sent

    def _heard_whole(self) -> ReceivedHop:
        """The hop that was sent in slices, at all ears."""
        weighted, heard = self._whole(self._sent.copy(), self._listen)
        return ReceivedHop(
            hearing=self._whole, weighted=weighted, energy=heard.energy, peak=heard.peak, fast=heard.fast, units=()
        )

    def _solved(self, hop: Floats, *, held: bool = True, above: float = 1.0) -> float:
        """The greatest gain for the boundary before `hop`, up to `above`; 0 if no gain keeps the caps.

        held: whether the held hop must keep them too.
        """
        sent, silence = self._hearing.copy(), np.zeros_like(hop)
        moving = Hearing({self.ears[at].weighting for at in self.heeded}, len(hop))
        listen, peaks, ends = self._listen_for_caps, not self._harmless, not (self._harmless and self._roomy)
        memory, rise = listen.fitted(sent.memory), self._rise
        now_parts = Parts(sent.weigh(self._held * (self.gain * (1.0 - rise))), moving.weigh(self._held * rise))
        fading = moving.copy()
        fixed = sent.weigh(silence)
        now = MovingHop(listen, now_parts, peaks=peaks)
        then = MovingHop(listen, Parts(fixed, moving.weigh(hop)), peaks=peaks, after=now)
        if ends:
            faded = MovingHop(listen, Parts(fixed, fading.weigh(hop * (1.0 - rise))), peaks=peaks, after=now)
            end = Parts(sent.weigh(self._silence), fading.weigh(self._silence))
            after = MovingHop(listen, end, peaks=peaks, after=faded)

        def used(gain: float) -> float:
            first = now(gain, memory)
            second = then(gain, first.memory)
            shares: list[float] = []
            if ends:
                third = faded(gain, first.memory)
                last = after(gain, third.memory)
                moments = [second, third, last, *([first] if held else [])]
                shares += [one.used(moment.peak, moment.fast) ** 0.5 for one in self.instants for moment in moments]
                before = third.energy if self._completes_hop else np.zeros_like(third.energy)
            for budget, ear, rings in zip(self.budgets, self._budget_ears, self._ringing, strict=True):
                energy, next_energy = float(first.energy[ear]), float(second.energy[ear])
                of_powers = [*shares_of_hops(budget, energy, next_energy, held=held, begins=self._begins_hop)]
                if self._sparing:
                    of_powers.append(
                        share_of(next_energy, budget.terms.energy(budget.spared_units[self._sparing] - 1.0))
                    )
                if rings and not self._roomy:
                    ended = float(last.energy[ear] * rings + before[ear])
                    of_powers.append(ending_share(budget, energy, ended, begins=self._begins_hop))
                shares += [share ** (1.0 / budget.terms.power) for share in of_powers]
            return max(shares, default=0.0)

        return greatest_gain(used, above) if self._slices == 1 else gain_in_few_steps(used, above)


def _kind(ear: Ear, outputs: Mapping[str, Output]) -> NDArray[np.bool_] | None:
    """(outputs,): the outputs with the same transducer as the one output of an ear; None if these are all."""
    if ear.only is None:
        return None
    transducers = np.array([output.transducer for output in outputs.values()])
    kind: NDArray[np.bool_] = transducers == transducers[ear.only]
    return None if np.all(kind) else kind
