"""Benchmarks: how fast, how much memory, beside a floor that anyone can measure.

In: nothing but the machine.
Out: tables on the screen; nothing here is a test.
"""
