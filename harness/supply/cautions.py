"""The cautions to read before a voltage is changed.

One rule: texts only; the caller shows them and waits for a yes.
"""

from __future__ import annotations

from harness.link import shown_address
from harness.supply.model import SupplySpec

CAUTIONS = tuple(
    " ".join(text.split())
    for text in (
        "This program is about to change the voltage of a bench supply.",
        """Too high a voltage destroys the chip and everything else that the supply feeds. Check
        supply_min_v and supply_max_v in the profile against the data sheets of chip and board,
        and make sure that nothing else is connected.""",
        """Set the supply's own over-voltage and over-current protection first: this program is not
        a protection, and it may be killed before it can restore anything.""",
        "Check polarity and leads. Levels of controller pins must suit the chip at every voltage.",
        """Chips and regulators can get hot enough to burn you. Do not touch them. If anything
        smells, smokes or is hotter than it should be, switch off first. Stay near the switch.""",
        """Local rules for electrical work and the practice of licensed professionals take
        precedence over anything written here.""",
    )
)


def cautions(spec: SupplySpec) -> tuple[str, ...]:
    """Return the cautions, and the limits within which the supply will be used."""
    limits = spec.limits
    allowed = (
        f"Supply {shown_address(spec.port)}: nominal {spec.volts:g} V, never below "
        f"{limits.low_v:g} V or above {limits.high_v:g} V ({limits.path.name}), current limit "
        f"{limits.current_a * 1000:g} mA. The nominal voltage is restored at the end."
    )
    return (*CAUTIONS, allowed)
