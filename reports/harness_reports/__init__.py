"""What people and CI read, made from stored outcomes only.

One module a product: ``html``, ``card``, ``junit``, ``run_json``, ``waveform``, ``frame``,
``history``, ``ticket``, ``summary``; ``run_files`` says which of them a run has, and ``write`` puts
them into a folder.
The one rule: a report is worked out from a record and nothing else.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
