"""Jobs: what the tool does for people, a function each. They put rooms together and decide nothing.

One rule: a job is imported from its own module, so that a quick one does not load what a slow one
needs; ``harness`` shows them all.
"""
