"""The report as neutral blocks, gathered once, and what is written from them.

`findings`  everything that was computed about a case: `Findings`
`blocks`    headings, paragraphs, tables, figures, notes: `Content`
`chapters`  results to blocks, one module for each subject
`gather`    ``gather(findings) -> Content``, its pictures still to be drawn
`markdown`  ``to_markdown(content)``: report.md
`html`      ``to_html(content)``: the fragment that report.html shows
`typst`     ``to_typst(content)``: the data of the document, and ``to_pdf(content)``: report.pdf by `document.typ`
`pictures`  figures drawn as SVG, here or elsewhere, and as PNG where asked for
`cells`     tables with the unit in the heading
`single`    the report of one study by itself
"""
