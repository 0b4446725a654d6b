"""A table's signature, a CRC-32 of the tested bits, worked out in all lanes by XORs.

The one rule: values only; nothing here needs the compiler.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray


@lru_cache(maxsize=1)
def crc_operations() -> NDArray[np.int64]:
    """XORs that take 32 bits into a CRC-32: ``(operations, 3)``, output and inputs.

    Entries 0 to 31 have the state XOR the word, and at the end the next state. Pairs that most
    bits have in common are taken first (C. Paar, "Optimized arithmetic for Reed-Solomon
    encoders", ISIT 1997).
    """
    columns = [_shifted(1 << bit) for bit in range(32)]
    need = np.array([[column >> row & 1 for column in columns] for row in range(32)])
    operations: list[tuple[int, int, int]] = []
    while (pairs := np.triu(need.T @ need, 1)).max() > 1:
        first, second = (int(k) for k in np.unravel_index(pairs.argmax(), pairs.shape))
        common = need[:, first] & need[:, second]
        operations.append((need.shape[1], first, second))
        need = np.column_stack((need, common))
        need[:, first] ^= common
        need[:, second] ^= common
    last = need.shape[1] - 1
    for row in range(32):
        inputs = np.flatnonzero(need[row]).tolist()
        for place in inputs[1:]:
            last += 1
            operations.append((last, inputs[0], place))
            inputs[0] = last
        need[row, :] = inputs[0]
    operations += [(row, int(need[row, 0]), -1) for row in range(32)]
    return np.array(operations, dtype=np.int64)


def _shifted(word: int) -> int:
    """Take 32 zero bits into a CRC-32 register (polynomial of IEEE 802.3, reflected)."""
    for _ in range(32):
        word = word >> 1 ^ (0xEDB88320 if word & 1 else 0)
    return word
