"""Tables of the Morse keyer, from Recommendation ITU-R M.1677-1, sections 1 and 2.

A dash is three dots, the gap between the signals of a letter one, between letters three, between
words seven. A dot is four clocks here. A row is a mark or a gap; the clock with ``send`` and the
clock in which ``ready`` returns have separate rows.
"""

from __future__ import annotations

from pathlib import Path

HERE = Path(__file__).parent
HEADER = "clk,send,char,key,ready,repeat,label,note"
DOT = 4

CODE = {
    "A": ".-",
    "B": "-...",
    "C": "-.-.",
    "D": "-..",
    "E": ".",
    "F": "..-.",
    "G": "--.",
    "H": "....",
    "I": "..",
    "J": ".---",
    "K": "-.-",
    "L": ".-..",
    "M": "--",
    "N": "-.",
    "O": "---",
    "P": ".--.",
    "Q": "--.-",
    "R": ".-.",
    "S": "...",
    "T": "-",
    "U": "..-",
    "V": "...-",
    "W": ".--",
    "X": "-..-",
    "Y": "-.--",
    "Z": "--..",
    "1": ".----",
    "2": "..---",
    "3": "...--",
    "4": "....-",
    "5": ".....",
    "6": "-....",
    "7": "--...",
    "8": "---..",
    "9": "----.",
    "0": "-----",
    ".": ".-.-.-",
    ",": "--..--",
    "?": "..--..",
}


def units(text: str) -> list[tuple[int, int, str]]:
    """Turn a text into marks and gaps: (level, dots, character that starts here or nothing).

    A space adds four dots to the three that follow every letter.
    """
    runs = []
    for char in text:
        if char == " ":
            runs.append((0, 4, char))
            continue
        start = char
        for signal in CODE[char]:
            runs += [(1, 3 if signal == "-" else 1, start), (0, 1, "")]
            start = ""
        runs[-1] = (0, 3, "")
    return runs


def name(char: str) -> str:
    """Return a character as a cell that no spreadsheet mistakes for something else."""
    return {" ": "space", ".": "full stop", ",": "comma", "?": "question mark"}.get(char, char)


def sending_rows(text: str) -> list[str]:
    """Key a text without delay: offer the next character as soon as ``ready`` is back."""
    runs = units(text)
    ends = [starts != "" for _, _, starts in runs[1:]] + [True]
    rows = []
    for (level, dots, char), ends_here in zip(runs, ends, strict=True):
        key = "H" if level else "L"
        clocks = dots * DOT
        if char:
            note = CODE.get(char, "word gap")
            rows.append(f"C,1,0x{ord(char):02X},{key},L,,{name(char)},{note}")
            clocks -= 1
        if ends_here:
            rows += [f"C,0,0x00,{key},L,{clocks - 1},,", f"C,0,0x00,{key},H,,,"]
        else:
            rows.append(f"C,0,0x00,{key},L,{clocks},,")
    return rows


def directed() -> str:
    """Rest, single letters, a request that comes too early, the word by which speed is counted."""
    rows = ["C,0,0x45,L,H,10,rest,nothing is sent without send"]
    rows += [*sending_rows("E"), "C,0,0x00,L,H,9,pause,", *sending_rows("T")]
    rows += [
        "C,1,0x54,H,L,12,T with send held,the second T must wait for the letter gap",
        "C,1,0x54,L,L,11,,",
        "C,1,0x54,L,H,,,",
        "C,1,0x54,H,L,12,second T,",
        "C,0,0x54,L,L,11,,",
        "C,0,0x54,L,H,,,",
        "C,0,0x54,L,H,20,rest again,",
        "C,1,0x21,L,L,,no signal,the exclamation mark has none: keyed as a space",
        "C,0,0x00,L,L,14,,",
        "C,0,0x00,L,H,,,",
    ]
    rows += sending_rows("PARIS ") + sending_rows("SOS")
    return "\n".join(["# ITU-R M.1677-1, a dot is four clocks", HEADER, *rows, ""])


def alphabet() -> str:
    """List every character, then a sentence with every letter."""
    everything = "".join(CODE) + " "
    message = "THE QUICK BROWN FOX JUMPS OVER THE LAZY DOG, 1234567890 TIMES. WHY? "
    rows = sending_rows(everything) + sending_rows(message)
    return "\n".join(["# ITU-R M.1677-1: every character once, then words", HEADER, *rows, ""])


def tables() -> dict[str, str]:
    """List every table of the design: file name and text."""
    return {"directed.csv": directed(), "alphabet.csv": alphabet()}


if __name__ == "__main__":
    for file_name, text in tables().items():
        (HERE / file_name).write_text(text, encoding="utf-8")
