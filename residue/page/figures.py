"""A status as figures for monitoring, in the text formats of OpenMetrics and Prometheus."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from prometheus_client import CollectorRegistry
from prometheus_client.exposition import choose_encoder
from prometheus_client.metrics_core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
    StateSetMetricFamily,
)
from prometheus_client.registry import Collector

STATES = ("closed", "opening", "playing", "resting", "held", "faulted")
VERDICTS = ("well", "quieter", "louder", "swapped", "not heard", "too noisy to tell", "not known")
_LEVELS = ("la_db", "lc_db", "lz_db", "lg_db")
_GAINS = {"plan": "plan_gain_db", "trim": "trim_db", "governor": "governor_gain_db", "limiter": "limiter_gain_db"}


class _Figures(Collector):
    def __init__(self, told: Mapping[str, Any], reread_age_s: float | None) -> None:
        self._told = told
        self._reread_age_s = reread_age_s

    def collect(self) -> Iterator[Metric]:
        told, health = self._told, self._told["health"]
        facts = {"version": health["version"], "piece": told["piece"], "place": told["place"]}
        yield InfoMetricFamily("residue", "The house that these figures are of.", value=facts)
        state = StateSetMetricFamily("residue_house", "The state of the house.", labels=[])
        state.add_metric([], {name: told["house"] == name for name in STATES})
        yield state
        yield from self._levels()
        yield from self._caps()
        gains = GaugeMetricFamily("residue_gain_db", "What lowers the piece.", labels=["by"])
        for by, key in _GAINS.items():
            if health[key] is not None:
                gains.add_metric([by], health[key])
        yield gains
        yield GaugeMetricFamily("residue_attention", "Sentences on what needs attention.", len(health["attention"]))
        yield GaugeMetricFamily("residue_alarms", "Faults that the watchdog sees.", len(health["alarms"]))
        yield CounterMetricFamily("residue_late_blocks", "Late blocks since the start.", health["late_blocks"])
        yield CounterMetricFamily("residue_device_losses", "Losses of the sound device.", health["device_losses"])
        yield GaugeMetricFamily("residue_busy_ratio", "The share of its time that the engine works.", health["busy"])
        memory = health["memory_bytes"]
        yield GaugeMetricFamily("residue_memory_bytes", "Memory that the program holds.", memory, unit="bytes")
        yield from self._proof()
        if self._reread_age_s is not None:
            what = "Since the last night began whose reading of all that is played has ended."
            yield GaugeMetricFamily("residue_nightly_reading_age_seconds", what, self._reread_age_s, unit="seconds")

    def _levels(self) -> Iterator[Metric]:
        if self._told["levels"] is None:
            return
        levels = GaugeMetricFamily(
            "residue_level_db", "Level now; silence has none.", labels=["at", "weighting", "unit"]
        )
        for at, heard in [("place", self._told["levels"]["place"]), *self._told["levels"]["outputs"].items()]:
            for key in _LEVELS:
                if heard[key] is not None:
                    levels.add_metric([at, key[1].upper(), heard["unit"]], heard[key])
        yield levels

    def _proof(self) -> Iterator[Metric]:
        """What the measuring microphone heard: at the last proof of the outputs, and while the house is open."""
        proof = self._told["proof"]
        if proof is None:
            return
        if proof["at"] is not None:
            age_s = (datetime.fromisoformat(self._told["now"]) - datetime.fromisoformat(proof["at"])).total_seconds()
            what = "Since the last proof of the outputs."
            yield GaugeMetricFamily("residue_proof_age_seconds", what, age_s, unit="seconds")
        what = "What the last proof found of an output."
        verdict = StateSetMetricFamily("residue_proof_verdict", what, labels=["output"])
        what = "Level of an output against the reference, in dB."
        drift = GaugeMetricFamily("residue_proof_drift_db", what, labels=["output"])
        for output, found in proof["found"].items():
            verdict.add_metric([output], {one: found["verdict"] == one for one in VERDICTS})
            if found["drift_db"] is not None:
                drift.add_metric([output], found["drift_db"])
        yield from (verdict, drift)
        what = "By how much the house is lowered since the microphone found it too loud."
        yield GaugeMetricFamily("residue_proof_lowered_db", what, proof["lowered_db"])
        what = "Equivalent level at the microphone over the last half minute, with all that is heard there."
        room = GaugeMetricFamily("residue_room_level_db", what, labels=["weighting", "unit"])
        for weighting, key in (("A", "room_laeq_db"), ("C", "room_lceq_db")):
            if proof[key] is not None:
                room.add_metric([weighting, proof["unit"]], proof[key])
        yield room
        what = "Level at the microphone over the window of the cap, with all that is heard there."
        level = GaugeMetricFamily("residue_room_cap_level", what, labels=["cap", "unit"])
        what = "The limit of the cap, without a margin, minus that level."
        headroom = GaugeMetricFamily("residue_room_cap_headroom_db", what, labels=["cap", "unit"])
        for cap in proof["room_caps"]:
            level.add_metric([cap["name"], cap["unit"]], cap["level"])
            headroom.add_metric([cap["name"], cap["unit"]], cap["headroom_db"])
        yield from (level, headroom)

    def _caps(self) -> Iterator[Metric]:
        families = {
            "level": GaugeMetricFamily(
                "residue_cap_level", "Level over the window of the cap.", labels=["cap", "unit"]
            ),
            "limit": GaugeMetricFamily("residue_cap_limit", "The limit of the cap.", labels=["cap", "unit"]),
            "headroom_db": GaugeMetricFamily("residue_cap_headroom_db", "Limit minus level.", labels=["cap", "unit"]),
        }
        for cap in self._told["caps"]:
            for key, family in families.items():
                if cap[key] is not None:
                    family.add_metric([cap["name"], cap["unit"]], cap[key])
        yield from families.values()


def figures(told: Mapping[str, Any], reread_age_s: float | None, accept: str) -> tuple[bytes, str]:
    """The text and its content type, in one of two formats. accept: the header of the request.

    Raises KeyError for a status of another version.
    """
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Figures(told, reread_age_s))
    encoder, content_type = choose_encoder(accept)
    return encoder(registry), content_type
