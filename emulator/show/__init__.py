"""What people see: summaries, pages, stories, exports, comparisons."""
