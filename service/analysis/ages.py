"""Decimal age, as reference tables and equations take it."""

from datetime import date


def years_between(birth: date, day: date) -> float:
    """Decimal age: whole years, and the part of the year from the last birthday to the next.

    Parameters
    ----------
    birth : date
        Born on 29 February, a person has the birthday of a common year on 1 March.
    day : date
        Not before `birth`.

    Returns
    -------
    float
        Years.
    """

    def birthday(year: int) -> date:
        try:
            return birth.replace(year=year)
        except ValueError:
            return date(year, 3, 1)

    whole = day.year - birth.year - (day < birthday(day.year))
    last, following = birthday(birth.year + whole), birthday(birth.year + whole + 1)
    return whole + (day - last).days / (following - last).days
