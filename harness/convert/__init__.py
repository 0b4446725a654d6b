"""Tables from what authors have, and tables as what other tools read; no ports and no printing."""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
