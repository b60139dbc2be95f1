"""Layouts beside each other: what differs for certain and to the ear, what it costs."""
