"""A bench supply that speaks SCPI, on any port: set between limits, read back, restored."""

from harness.supply.bench import BenchSupply, open_supply
from harness.supply.cautions import cautions
from harness.supply.model import Limits, SupplySpec

__all__ = [
    "BenchSupply",
    "Limits",
    "SupplySpec",
    "cautions",
    "open_supply",
]
