"""What a person or a machine reads of an assessment. Verdicts and margins come from below.

`basics`      what every subject shares: axes, words for a status, tables
`drawing`     how a figure is drawn: panels, ticks, SVG
`loop`        operating points, plant, loop and margins; the JSON object of ``check --json`` and ``design --json``
`loads`       every load of a case: boundaries, light load, overload
`steps`       load and line steps
`spread`      the spread over tolerances
`filter`      the input filter
`impedances`  impedances and line rejection
`choice`      the chosen parts
`bench`       a measured response beside the prediction
`explore`     a sweep, a comparison, a search for small parts, sensitivities
`schematic`   the schematic of a case
`content`     the report as neutral blocks, and what is written from them
`live`        the page with the live desk
`setting`     pages set from files
`folder`      the report as a folder, written whole or not at all
`replace`     a report folder replaced by a complete new one
"""
