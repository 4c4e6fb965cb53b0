"""What happened to a job, to a worker, to a requirement, and why: the facts of a story, without its words."""
