"""What surrounds the broker: workers, parts, systems, access, arrivals, faults, actions, keyed draws."""
