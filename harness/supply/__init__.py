"""A bench supply that speaks SCPI, on any port: set between limits, read back, restored."""

from harness.supply.bench import BenchSupply as BenchSupply
from harness.supply.bench import open_supply as open_supply
from harness.supply.cautions import cautions as cautions
from harness.supply.model import Limits as Limits
from harness.supply.model import SupplySpec as SupplySpec
