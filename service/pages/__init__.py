"""The pages that people read: the bench, the board, and the way to them.

Thin clients of the API, served by the same process and complete without a network. What is stored
goes through the API alone; the pages only read.
"""
