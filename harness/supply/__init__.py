"""A bench supply that speaks SCPI, on any port: set between limits, read back, restored."""

from harness.supply.bench import BenchSupply, open_supply
from harness.supply.cautions import cautions
from harness.supply.messages import ScpiError, read_error, voltage_message
from harness.supply.model import Limits, Reading, SupplySpec
from harness.supply.numerals import read_number

__all__ = [
    "BenchSupply",
    "Limits",
    "Reading",
    "ScpiError",
    "SupplySpec",
    "cautions",
    "open_supply",
    "read_error",
    "read_number",
    "voltage_message",
]
