"""The report on impedances and line rejection.

`section`  what load and source see at every corner
`plots`    impedances and line rejection drawn
"""
