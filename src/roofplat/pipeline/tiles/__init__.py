"""A district built in tiles: cut, planned tile by tile, put together.

In: a district too big for memory, or one of which little has changed.
Out: the tables of each tile as GeoParquet, from which the files of a build are written.
"""
