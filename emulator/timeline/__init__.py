"""Time: integer ticks, the agenda of what is due, and the virtual-time event loop."""
