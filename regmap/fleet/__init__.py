"""Many captures and logs of words to four tables, and what is new between two sets of them.

    from regmap.fleet.survey import Survey, survey
    from regmap.fleet.sources import find_sources

    done = survey(find_sources(["night/"]), Survey(maps=("quoll16",)), "out", workers=2)

The tables are those of `schema.py`; README.md shows the rest by example.
Importing this package loads nothing; its modules load numpy, some of them pyarrow.
"""
