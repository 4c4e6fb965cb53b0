"""The rules of the queue, sans-IO: state table, leases, queue order, retry decisions."""
