"""Public holidays by country and region, from the `holidays` library."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from functools import cache

from residue.problems import nearest

_YEARS = range(2024, 2036)
"""The years in which a holiday is looked for by its name; some fall on a working day in few years only."""


def check_place(country: str, region: str | None, language: str | None) -> None:
    """Raises ValueError, in a person's words, for a country, region or language whose holidays are not known."""
    regions = _places().get(country)
    if regions is None:
        raise ValueError(f"'{country}' is not a country whose holidays are known. Write its two letters, such as DE.")
    if region is not None and region not in regions:
        raise ValueError(f"'{region}' is no region of {country} with holidays of its own. {nearest(region, regions)}")
    if language is not None and language not in (known := _languages().get(country, [])):
        raise ValueError(f"The holidays of {country} have no names in '{language}'. {nearest(language, known)}")


def check_names(names: list[str], country: str, region: str | None, language: str | None) -> None:
    """Raises ValueError, in a person's words, for names that are no holidays there."""
    known = {
        part for year in _YEARS for name in named(country, region, language, year).values() for part in parts(name)
    }
    faults = [
        f"'{name}' is no public holiday of {country}. {nearest(name, known)}" for name in names if name not in known
    ]
    if faults:
        raise ValueError(*faults)


def parts(name: str) -> list[str]:
    """The names of all holidays that fall on one day."""
    return name.split("; ")


@cache
def named(country: str, region: str | None, language: str | None, year: int) -> Mapping[dt.date, str]:
    """The holidays of a year with their names in a language, else in that of the country."""
    import holidays  # 0.2 s, and few installations ask for it

    # Without a language the library would take that of the machine.
    own = language or holidays.country_holidays(country, subdiv=region).default_language
    return dict(holidays.country_holidays(country, subdiv=region, years=year, language=own))


@cache
def _places() -> Mapping[str, list[str]]:
    import holidays

    return holidays.list_supported_countries(include_aliases=False)


@cache
def _languages() -> Mapping[str, list[str]]:
    import holidays

    return holidays.list_localized_countries(include_aliases=False)
