"""Cooked, cooled, fermented, dried: was it made as its authority asks? Probe logs against treatments, and schedules."""
