"""Boards and chips where there are none.

A chip is loaded when one is first asked for: the compiler behind it is slow to load.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
