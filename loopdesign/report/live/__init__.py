"""The page with the live desk.

`export`  the solved power stage of every nominal corner as plain JSON
`page`    one HTML file: report, style, script and data
`inert`   pictures without style in their tags
`engine/` JavaScript: closes the loop as `orbit`, `models` and `margins` do
`desk/`   JavaScript, style and template: controls, pictures, words
"""
