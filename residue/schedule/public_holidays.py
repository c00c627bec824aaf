"""Public holidays by country and region, from the `holidays` library."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from residue.problems import nearest

_YEARS = range(2024, 2036)
"""The years that are searched for a holiday by its name; some fall on a working day in few years only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HolidaysOf:
    """A country or a region of it, and the language in which its holidays are named; None for that of the country."""

    country: str
    region: str | None
    language: str | None


def check_place(of: HolidaysOf) -> None:
    """Raises ValueError, in words for people, for a country, region or language without known holidays."""
    country, region, language = of.country, of.region, of.language
    regions = _places().get(country)
    if regions is None:
        raise ValueError(f"'{country}' is not a country whose holidays are known. Write its two letters, such as DE.")
    if region is not None and region not in regions:
        raise ValueError(f"'{region}' is no region of {country} with holidays of its own. {nearest(region, regions)}")
    if language is not None and language not in (known := _languages().get(country, [])):
        raise ValueError(f"The holidays of {country} have no names in '{language}'. {nearest(language, known)}")


def check_names(names: Iterable[str], of: HolidaysOf) -> None:
    """Raises ValueError, in words for people, for names that are not holidays there."""
    wanted = list(names)
    known = {part for year in _YEARS if wanted for name in named(of, year).values() for part in parts(name)}
    faults = [
        f"'{name}' is no public holiday of {of.country}. {nearest(name, known)}" for name in wanted if name not in known
    ]
    if faults:
        raise ValueError(*faults)


def parts(name: str) -> list[str]:
    """The names of all holidays that fall on one day."""
    return name.split("; ")


@cache
def named(of: HolidaysOf, year: int) -> Mapping[dt.date, str]:
    """The holidays of a year with their names in a language, else in that of the country."""
    import holidays  # the import takes 0.2 s, and few installations need it

    # Without a language the library would use that of the machine.
    language = of.language or holidays.country_holidays(of.country, subdiv=of.region).default_language
    return dict(holidays.country_holidays(of.country, subdiv=of.region, years=year, language=language))


@cache
def _places() -> Mapping[str, list[str]]:
    import holidays

    return holidays.list_supported_countries(include_aliases=False)


@cache
def _languages() -> Mapping[str, list[str]]:
    import holidays

    return holidays.list_localized_countries(include_aliases=False)
