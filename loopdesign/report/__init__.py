"""What a person or a machine reads of an assessment. Verdicts and margins come from below.

`status`    the words: stable or UNSTABLE, ok or MISSED, and the verdict in one sentence
`answer`    the JSON object of ``check --json`` and ``design --json``
`tables`    rows of numbers with their units
`terminal`  tables as aligned text
`data`      everything the plots draw, computed
`plots`     figures from that data, nothing computed
`given`     the parts of the case in words
`axes`      line styles, ticks and legends the plots share
`page`      the report in Markdown
`folder`    the report as a folder, written whole or not at all
"""
