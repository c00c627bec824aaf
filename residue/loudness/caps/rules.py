"""Published rules on sound levels, each spelled out as caps.

The wording is ours and short. Only the rule itself is binding; ask a qualified person who knows it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

MINUTE_S, HOUR_S = 60.0, 3600.0


@dataclass(frozen=True, slots=True)
class RuleLimit:
    """One limit of a rule."""

    quantity: str
    """A name in QUANTITIES."""
    limit: float
    """In dB re 20 uPa; for vibration in m/s²."""
    window_s: float = 0.0
    """0 for a maximum."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One published rule, spelled out as caps."""

    title: str
    source: str
    dated: str
    protects: str
    """The protected people: visitors, children, or staff."""
    wording: str
    """The demand of the rule in our words, and the way in which residue keeps it."""
    limits: tuple[RuleLimit, ...]


RULES: Mapping[str, Rule] = {
    "who-2022": Rule(
        title="WHO safe listening",
        source="WHO, Global standard for safe listening venues and events, feature 1",
        dated="2022",
        protects="visitors",
        wording="No more than 100 dB(A) on average over any 15 minutes, at every place open to the public.",
        limits=(RuleLimit("LAeq", 100.0, 15 * MINUTE_S),),
    ),
    "din-15905-5": Rule(
        title="DIN 15905-5",
        source="DIN 15905-5",
        dated="2007-11",
        protects="visitors",
        wording=(
            "No more than 99 dB(A) on average over each half hour and no peak above 135 dB(C). "
            "Kept over any 30 minutes, which includes those that begin on the hour and the half hour."
        ),
        limits=(RuleLimit("LAeq", 99.0, 30 * MINUTE_S), RuleLimit("LCpeak", 135.0)),
    ),
    "ch-93": Rule(
        title="Switzerland, without notification",
        source="Ordinance on protection from non-ionising radiation and sound (O-NIRSA)",
        dated="2019-06-01",
        protects="visitors",
        wording="No more than 93 dB(A) on average over any 60 minutes, and never above 125 dB(A) with weighting F.",
        limits=(RuleLimit("LAeq", 93.0, HOUR_S), RuleLimit("LAFmax", 125.0)),
    ),
    "ch-96": Rule(
        title="Switzerland, notified, up to 96 dB",
        source="Ordinance on protection from non-ionising radiation and sound (O-NIRSA)",
        dated="2019-06-01",
        protects="visitors",
        wording=(
            "No more than 96 dB(A) on average over any 60 minutes. The event has to be notified 14 days before, the "
            "public told, hearing protection given free and the level watched."
        ),
        limits=(RuleLimit("LAeq", 96.0, HOUR_S), RuleLimit("LAFmax", 125.0)),
    ),
    "ch-100": Rule(
        title="Switzerland, notified, up to 100 dB",
        source="Ordinance on protection from non-ionising radiation and sound (O-NIRSA)",
        dated="2019-06-01",
        protects="visitors",
        wording=(
            "No more than 100 dB(A) on average over any 60 minutes. As for 96 dB; over more than three hours the level "
            "has to be recorded and a quiet zone offered."
        ),
        limits=(RuleLimit("LAeq", 100.0, HOUR_S), RuleLimit("LAFmax", 125.0)),
    ),
    "fr-2017": Rule(
        title="France, places open to the public",
        source="Décret 2017-1244, Code de la santé publique R1336-1",
        dated="2017-08-07",
        protects="visitors",
        wording="No more than 102 dB(A) and 118 dB(C) on average over any 15 minutes, at any place open to the public.",
        limits=(RuleLimit("LAeq", 102.0, 15 * MINUTE_S), RuleLimit("LCeq", 118.0, 15 * MINUTE_S)),
    ),
    "fr-2017-children": Rule(
        title="France, for children up to six",
        source="Décret 2017-1244, Code de la santé publique R1336-1",
        dated="2017-08-07",
        protects="children",
        wording="No more than 94 dB(A) and 104 dB(C) on average over any 15 minutes.",
        limits=(RuleLimit("LAeq", 94.0, 15 * MINUTE_S), RuleLimit("LCeq", 104.0, 15 * MINUTE_S)),
    ),
    "eu-staff-lower": Rule(
        title="EU, staff, lower action values",
        source="Directive 2003/10/EC, Article 3",
        dated="2003-02-06",
        protects="staff",
        wording=(
            "An attendant who stays at the visitor's place for eight hours receives no more than 80 dB(A) on average "
            "and no peak above 112 Pa, which is 134.96 dB(C). Kept over any eight hours."
        ),
        limits=(RuleLimit("LAeq", 80.0, 8 * HOUR_S), RuleLimit("LCpeak", 134.96)),
    ),
    "eu-staff-upper": Rule(
        title="EU, staff, upper action values",
        source="Directive 2003/10/EC, Article 3",
        dated="2003-02-06",
        protects="staff",
        wording=(
            "An attendant who stays at the visitor's place for eight hours receives no more than 85 dB(A) on average "
            "and no peak above 140 Pa, which is 136.9 dB(C); above, hearing protection is compulsory. "
            "Kept over any eight hours."
        ),
        limits=(RuleLimit("LAeq", 85.0, 8 * HOUR_S), RuleLimit("LCpeak", 136.9)),
    ),
    "eu-staff-limit": Rule(
        title="EU, staff, exposure limit values",
        source="Directive 2003/10/EC, Article 3",
        dated="2003-02-06",
        protects="staff",
        wording=(
            "An attendant who stays at the visitor's place for eight hours receives no more than 87 dB(A) on average "
            "and no peak above 200 Pa, which is 140 dB(C). The directive counts hearing protection that is worn; here "
            "nobody wears any. Kept over any eight hours."
        ),
        limits=(RuleLimit("LAeq", 87.0, 8 * HOUR_S), RuleLimit("LCpeak", 140.0)),
    ),
    "niosh": Rule(
        title="NIOSH recommended exposure limit",
        source="NIOSH publication 98-126, Criteria for a recommended standard",
        dated="1998-06",
        protects="staff",
        wording="No more than 85 dB(A) on average over eight hours, equal energy counting equally.",
        limits=(RuleLimit("LAeq", 85.0, 8 * HOUR_S),),
    ),
    "eu-vibration-action": Rule(
        title="EU, staff, vibration, action value",
        source="Directive 2002/44/EC, Article 3",
        dated="2002-06-25",
        protects="staff",
        wording=(
            "An attendant who stays at the visitor's place for eight hours receives no more than A(8) = 0.5 m/s², up "
            "and down. It is a rule for workers; there is none for visitors."
        ),
        limits=(RuleLimit("A(8)", 0.5, 8 * HOUR_S),),
    ),
    "eu-vibration-limit": Rule(
        title="EU, staff, vibration, limit value",
        source="Directive 2002/44/EC, Article 3",
        dated="2002-06-25",
        protects="staff",
        wording="An attendant who stays at the visitor's place for eight hours receives no more than A(8) = 1.15 m/s².",
        limits=(RuleLimit("A(8)", 1.15, 8 * HOUR_S),),
    ),
}
"""The rules by their names in room.toml."""
