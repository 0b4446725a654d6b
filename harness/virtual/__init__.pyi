# What ``harness.virtual`` shows, and where each name comes from.

from .direct import DirectBoard as DirectBoard
from .faults import BoardFault as BoardFault
from .faults import ChipDefect as ChipDefect
from .faults import LinkFault as LinkFault
from .faults import Within as Within
from .ideal import IdealBoard as IdealBoard
from .ideal import ideal_profile as ideal_profile
from .models import check_models as check_models
from .rack import VirtualRack as VirtualRack
from .rack import seat_virtual_chip as seat_virtual_chip
from .spec import VirtualBoardSpec as VirtualBoardSpec
