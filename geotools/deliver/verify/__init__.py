"""A written plan checked again from its GeoPackage alone.

Nothing here calls the rooms that made the plan (`network`, `street`, `siting`, `pulls`,
`estimate`): lengths, forces, bends, sites, strings and money are worked out again from the tables,
in plain loops, one feature after another. Values of tables of the trade (strength, moduli) are
looked up in `pipe`; its formulas are written again in `formulas`.
"""
