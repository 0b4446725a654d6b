"""The jobs of the tool, one function each. They combine the other rooms and decide nothing.

One rule: a job is imported from its own module, so that a quick one does not load what a slow one
needs; ``harness`` exports them all.
"""
