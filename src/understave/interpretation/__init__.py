"""Score and Reading -> Plan: tension, dynamics, voicing, timing and pedal; and the Plan as a Performance."""
