"""How the speed of a virtual chip follows its supply voltage.

One rule: the model's form has a source, its numbers are invented; it says nothing about silicon.

The form is the alpha-power law of T. Sakurai and A. R. Newton, "Alpha-power law MOSFET model and
its applications to CMOS inverter delay and other formulas", IEEE Journal of Solid-State Circuits
25(2), 1990: a stage's load C is charged by a current that goes with (V - Vth)^alpha, so that its
delay goes with V / (V - Vth)^alpha. The part of the delay that comes from the slope of the input
is left out. The values of Vth and alpha here are invented.
"""

from __future__ import annotations

THRESHOLD_V = 0.7
ALPHA = 1.3


def relative_speed(volts: float, nominal: float) -> float:
    """Speed of every path at a voltage, as a multiple of that at the nominal voltage.

    It is 0 at the threshold and below: no path is fast enough.
    """
    return _speed(volts) / _speed(nominal)


def _speed(volts: float) -> float:
    return (volts - THRESHOLD_V) ** ALPHA / volts if volts > THRESHOLD_V else 0.0
