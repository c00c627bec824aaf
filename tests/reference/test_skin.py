"""Skin conductance of a real person, against neurokit2, which sees the whole recording at once."""

from __future__ import annotations

import warnings

import numpy as np

from residue.mapping.nodes import KINDS
from residue.mapping.signals import AUDIO_RATE_HZ, FRAMES_PER_TICK, Events
from tests.mapping.single import read
from tests.reference.recordings import Recording, one_body
from tests.reference.test_heart import at_control_rate


def test_responses_are_those_of_neurokit2() -> None:
    """Of the 11 that it finds after Kim et al. (2004) 9 rise by 0.05 uS or more within 5 s; ours are 10 in all."""
    body = one_body()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # theirs, about their own insides
        import neurokit2

        thinned = body["eda"][::16]
        parts = neurokit2.eda_phasic(neurokit2.eda_clean(thinned, 128), 128, method="highpass")
        found = neurokit2.eda_peaks(parts["EDA_Phasic"].to_numpy(), 128, method="kim2004")[1]
    tops_s = found["SCR_Peaks"] / 128.0
    conductance = Recording(body.rate_hz, "uS", ("eda",), (body["eda"] - body["eda"][0])[None])
    values = at_control_rate(conductance, 1e5) + body["eda"][0]
    ours = read(KINDS["skin_responses"](input="a"), {"input": values}, len(values) * FRAMES_PER_TICK)
    assert isinstance(ours.signal, Events)
    known_s = ours.signal.frames / AUDIO_RATE_HZ
    late_s = np.array([(known_s[known_s > top] - top).min(initial=np.inf) for top in tops_s])
    rose = np.array([body["eda"][round((top - 5.0) * 2048) : round(top * 2048)] for top in tops_s if top > 5.0])
    is_high = np.ptp(rose, axis=1) >= 0.05
    assert is_high.sum() >= 9
    assert (late_s[is_high] < 3.0).mean() >= 0.9
    assert len(known_s) <= len(tops_s)
    assert ours.trust is not None
    assert ours.trust[-1] == 1.0
