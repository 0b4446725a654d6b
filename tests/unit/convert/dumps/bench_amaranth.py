"""The counter and a bench for amaranth's simulator: ``python bench_amaranth.py STYLE DUMP``.

Prints what stands just before each rising edge of the clock: inputs, then outputs. amaranth
starts from the reset values, so that this bench has no reset.
"""

# mypy: ignore-errors
import random
import sys

from amaranth.hdl import Elaboratable, Module, Signal
from amaranth.sim import Simulator


class Counter(Elaboratable):
    def __init__(self):
        self.load_n = Signal(init=1)
        self.enp = Signal()
        self.ent = Signal()
        self.d = Signal(4)
        self.q = Signal(4)
        self.rco = Signal()

    def elaborate(self, _):
        m = Module()
        with m.If(~self.load_n):
            m.d.sync += self.q.eq(self.d)
        with m.Elif(self.enp & self.ent):
            m.d.sync += self.q.eq(self.q + 1)
        m.d.comb += self.rco.eq(self.ent & self.q.all())
        return m


def main(style, dump):
    top, rng = Counter(), random.Random(163)

    async def bench(ctx):
        for _ in range(60):
            if style == "between":
                await ctx.delay(0.3e-6)
            ctx.set(top.load_n, rng.randrange(8) != 0)
            ctx.set(top.enp, rng.randrange(8) != 0)
            ctx.set(top.ent, rng.randrange(4) != 0)
            ctx.set(top.d, rng.randrange(16))
            await ctx.tick()

    async def log(ctx):
        inputs = (top.load_n, top.enp, top.ent, top.d)
        async for _, _, load_n, enp, ent, d, q, rco in ctx.tick().sample(*inputs, top.q, top.rco):
            print(f"1{load_n}{enp}{ent}{d:04b} {q:04b}{rco}")

    simulator = Simulator(top)
    simulator.add_clock(1e-6)
    simulator.add_testbench(bench)
    simulator.add_testbench(log, background=True)
    with simulator.write_vcd(dump):
        simulator.run()


main(*sys.argv[1:])
