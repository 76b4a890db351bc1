"""The commands: one thin file each, over the rooms.

In: a command line.
Out: lines on the screen, files from the rooms, and an exit code: 0 done; 1 the data has errors
    and everything that could be done was; 2 the command or the district file is wrong.
"""

__all__: list[str] = []
