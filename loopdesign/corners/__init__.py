"""From a case to batches of converters: line, load, temperature, tolerance.

`conditions`     line, load, temperature and factors on part values
`tolerances`     every independent cause of spread with its ends
`power_stage`    parts of a named stage at a batch of corners
`custom`         elements of a stage of the user's own
`input_filter`   the filter between source and converter
`output_filter`  the second filter stage between output bank and load
`converters`     from a case to batches of converters and their operating points
`controller`     what bounds the controller
`effective`      what each part is worth at each corner, for the report
`not_modelled`   what the engine does not model, and is therefore refused
`trouble`        which corner and part are to blame where the arithmetic fails
"""
