"""What the emulator is compared with.

FROZEN: each was written once, as lean as its author could make it and as a good engineer would. A baseline is changed
only to make it faster, or to keep it running on a newer library; never to make a ratio look better.
"""
