"""What no compensation network can mend, and the divider.

`damping`        a damper across the coupling capacitor; the ramp for a given Q
`slope`          the ramp over every corner and tolerance end, and the phase it costs
`current_loop`   a current loop that oscillates by itself: refused, with its cure
`divider`        the upper divider resistor
`other_hardware` other parts around the loop, where no compensation suffices
"""
