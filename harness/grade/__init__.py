"""How far a pass can be trusted: what a design's tables would notice on its gates (pure).

The solver is loaded when a name that needs it is first asked for.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
