"""Gate-level netlists, read, and evaluated by one engine in any number of lanes.

The compiler is loaded when a name that needs it is first asked for: reading needs none.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
