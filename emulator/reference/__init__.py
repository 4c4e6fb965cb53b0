"""What does the reference page of the Python interface say? It is made from signatures and docstrings."""
