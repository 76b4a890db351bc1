"""Printed sheets: one page a building, and sets of them with an index.

In: the tables of all rooms in the working CRS, the rules, a paper size.
Out: PDF files, vector, fonts inside, each whole or not there at all.
"""

__all__: list[str] = []
