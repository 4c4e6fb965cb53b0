"""What is read of logs and of nights that were run, and made of it: pages, stories, trails, exports, a live view."""
