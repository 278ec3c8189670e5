"""How a figure of matplotlib is drawn for a report: panels made without ticks, ticks drawn together, plain SVG."""
