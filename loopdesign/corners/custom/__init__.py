"""A stage of the user's own: its elements with their values at the corners, and which rectifiers carry what.

`elements`  elements with their values at a batch of corners
`listing`   elements in words: name, kind, nodes, nominal value
`pattern`   which rectifiers ordinarily conduct, found by following the stage
"""
