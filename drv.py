import binascii
import struct
from array import array
VERSION = 3
QUANTUM = 64
MAX_BODY = 1100
MAX_READ = 256
REMEMBER = 32
ANYONE = 0
HELLO = 1
BIND = 2
TIMING = 3
START = 4
LOAD = 5
BLOCK = 6
TOTALS = 7
SENSE = 8
ABORT = 9
BYE = 10
DONE = 64
FAULT = 65
BUSY = 66
GAP = 67
PLANES = 0
LAYOUT = 1
WORDS = 2
SAME = 3
PLAIN = 0
XOR = 1
SUB = 2
CONSTANT = 3
TURNED = 4
FIELDS = ('drive', 'enable', 'pulse', 'expect', 'care', 'highz', 'repeat')
UNTIL = 2147483648
CHECKED = 1
REPEATS = 2
MATCHED = 4
GAP_FREE = 1
PULSES = 2
MAX_WINDOW = 64
MAX_KEPT = 48
MAX_UNTIL = 60
MAX_ROWS = 1024
MAX_ANSWER = 3 + 3 + 18 * MAX_WINDOW + 4 + 4 * MAX_ROWS
RESIDUE = 558161692
@micropython.viper
def unstuff(source, state, target, end: int) -> int:
 s = ptr8(source)
 t = ptr8(target)
 st = ptr32(state)
 at = int(st[0])
 out = int(st[1])
 left = int(st[2])
 owed = int(st[3])
 room = int(st[5])
 met = 0
 while at < end:
  byte = int(s[at])
  at += 1
  if byte == 0:
   owed = 0
   if out + left + int(st[4]):
    met = 1
    break
   continue
  if left:
   left -= 1
  else:
   left = byte - 1
   before = owed
   owed = 255 - byte
   if before == 0:
    continue
   byte = 0
  if out < room:
   t[out] = byte
   out += 1
  else:
   st[4] = 1
 st[0] = at
 st[1] = out
 st[2] = left
 st[3] = owed
 return met
@micropython.viper
def stuff(source, count: int, target) -> int:
 s = ptr8(source)
 t = ptr8(target)
 code_at = 0
 code = 1
 out = 1
 i = 0
 while i < count:
  byte = int(s[i])
  i += 1
  if byte:
   t[out] = byte
   out += 1
   code += 1
   if code == 255 and i < count:
    t[code_at] = 255
    code_at = out
    out += 1
    code = 1
  else:
   t[code_at] = code
   code_at = out
   out += 1
   code = 1
 t[code_at] = code
 return out
class Deframer:
 def __init__(self, limit=MAX_BODY + 4):
  self.views = [memoryview(bytearray(limit)), memoryview(bytearray(limit))]
  self.view = self.views[0]
  self.state = array('I', [0, 0, 0, 0, 0, limit])
  self.chunk = b''
  self.end = 0
  self.damaged = 0
 def begin(self, chunk, count):
  self.chunk = chunk
  self.end = count
  self.state[0] = 0
 def next(self):
  state = self.state
  while unstuff(self.chunk, state, self.view, self.end):
   size = state[1]
   broken = state[2] or state[4]
   state[1] = state[2] = state[3] = state[4] = 0
   if size >= 7 and (not broken) and (binascii.crc32(self.view[:size]) == RESIDUE):
    return size - 4
   self.damaged += 1
  return 0
 def turn(self):
  self.view = self.views[self.view is self.views[0]]
 def wanted(self):
  return (self.state[2] // QUANTUM + 1) * QUANTUM
 def rest(self):
  bodies = []
  while (size := self.next()):
   bodies.append(bytes(self.view[:size]))
  return bodies
 def feed(self, chunk, count):
  self.begin(chunk, count)
  return self.rest()
def frame(session, number, kind, payload):
 size = len(payload) + 3
 sealed = bytearray(size + 4)
 view = memoryview(sealed)
 sealed[0] = session
 sealed[1] = number
 sealed[2] = kind
 view[3:size] = payload
 struct.pack_into('<I', sealed, size, binascii.crc32(view[:size]))
 stuffed = bytearray(size + size // 254 + 7)
 return bytes(memoryview(stuffed)[:stuff(sealed, size + 4, stuffed) + 1])
from array import array
def words(count):
 return array('I', bytes(4 * count))
@micropython.viper
def fill(target: int, word: int, count: int) -> int:
 end = target + 4 * count
 while target < end:
  ptr32(target)[0] = word
  target += 4
 return 0
@micropython.viper
def copy_row(source, target, place) -> int:
 s = ptr32(source)
 t = ptr32(target)
 p = ptr32(place)
 value = s[int(p[0])]
 at = int(p[1])
 end = at + int(p[2])
 while at < end:
  t[at] = value
  at += 1
 return 0
@micropython.viper
def copy_words(source, target, count: int) -> int:
 s = ptr32(source)
 t = ptr32(target)
 i = 0
 while i < count:
  t[i] = s[i]
  i += 1
 return 0
@micropython.viper
def count_up(target, place) -> int:
 t = ptr32(target)
 p = ptr32(place)
 value = int(p[0])
 at = int(p[1])
 end = at + int(p[2])
 while at < end:
  t[at] = value
  value += 1
  at += 1
 return 0
@micropython.viper
def compare(want, got, k: int, count: int) -> int:
 expect = ptr32(want[0])
 care = ptr32(want[1])
 highz = ptr32(want[2])
 seen = ptr32(got[0])
 floating = ptr32(got[1])
 wrong = ptr32(got[2])
 tested = ptr32(got[3])
 bad = 0
 while k < count:
  s = int(seen[k])
  c = int(care[k])
  w = (s ^ int(expect[k])) & c
  s = s & c
  c = int(highz[k])
  if c:
   w = w | c & ~int(floating[k])
   s = s | int(floating[k]) & c
  wrong[k] = w
  tested[k] = s
  if w:
   bad += 1
  k += 1
 return bad
@micropython.viper
def mask(seen, care, tested, count: int) -> int:
 s = ptr32(seen)
 c = ptr32(care)
 t = ptr32(tested)
 k = 0
 while k < count:
  t[k] = s[k] & c[k]
  k += 1
 return 0
@micropython.viper
def tally(wrong, counts, count: int) -> int:
 w = ptr32(wrong)
 c = ptr32(counts)
 i = 0
 while i < count:
  word = w[i]
  bit = 0
  while bit < 32:
   if word >> bit & 1:
    c[bit] += 1
   bit += 1
  i += 1
 return 0
@micropython.viper
def unmatch(source, target, job) -> int:
 s = ptr8(source)
 t = ptr8(target)
 j = ptr32(job)
 end = int(j[0])
 size = int(j[1])
 at = 0
 out = 0
 while at < end:
  token = int(s[at])
  at += 1
  part = 0
  while part < 2:
   run = (token & 15) + 4 if part else token >> 4
   back = out - int(s[at]) - (int(s[at + 1]) << 8) if part else 0
   at += 2 * part
   more = 255 if run == 15 + 4 * part else 0
   while more == 255:
    more = int(s[at])
    at += 1
    run += more
   run += out
   if run > size:
    return 0
   if part:
    while out < run:
     t[out] = t[back]
     out += 1
     back += 1
   else:
    while out < run:
     t[out] = s[at]
     out += 1
     at += 1
   part = part + 1 if at < end else 2
 return out
@micropython.viper
def take_bytes(source: int, target: int, count: int) -> int:
 end = source + count - (count & 3)
 while source < end:
  ptr8(target)[0] = ptr8(source)[0]
  ptr8(target)[1] = ptr8(source)[1]
  ptr8(target)[2] = ptr8(source)[2]
  ptr8(target)[3] = ptr8(source)[3]
  source += 4
  target += 4
 end = source + (count & 3)
 while source < end:
  ptr8(target)[0] = ptr8(source)[0]
  source += 1
  target += 1
 return 0
@micropython.viper
def undo_xor(source: int, target: int, back: int, count: int) -> int:
 end = source + count - (count & 3)
 while source < end:
  ptr8(target)[0] = ptr8(source)[0] ^ ptr8(back)[0]
  ptr8(target)[1] = ptr8(source)[1] ^ ptr8(back)[1]
  ptr8(target)[2] = ptr8(source)[2] ^ ptr8(back)[2]
  ptr8(target)[3] = ptr8(source)[3] ^ ptr8(back)[3]
  source += 4
  target += 4
  back += 4
 end = source + (count & 3)
 while source < end:
  ptr8(target)[0] = ptr8(source)[0] ^ ptr8(back)[0]
  source += 1
  target += 1
  back += 1
 return 0
@micropython.viper
def undo_sum(source: int, target: int, last: int, count: int) -> int:
 end = source + count
 while source < end:
  last = last + int(ptr8(source)[0]) & 255
  ptr8(target)[0] = last
  source += 1
  target += 1
 return 0
@micropython.viper
def turn(source: int, target: int, column: int, groups: int) -> int:
 end = source + groups
 while source < end:
  byte = int(ptr8(source)[0])
  low = int(ptr32(target)[0])
  ptr32(target)[0] = low | ((byte & 15) * 2113665 & 16843009) << column
  high = int(ptr32(target)[1])
  ptr32(target)[1] = high | ((byte >> 4) * 2113665 & 16843009) << column
  source += 1
  target += 8
 return 0
@micropython.viper
def fill_table(table: int, word: int, bits: ptr32, width: int) -> int:
 ptr32(table)[0] = word
 end = table + 4
 start = table
 bit = 0
 while bit < width:
  word = int(bits[bit])
  table = start
  to = end
  while table < end:
   ptr32(to)[0] = int(ptr32(table)[0]) ^ word
   table += 4
   to += 4
  end = to
  bit += 1
 return 0
@micropython.viper
def begin_words(plane: int, target: int, table: ptr32, count: int) -> int:
 end = plane + count - (count & 3)
 while plane < end:
  ptr32(target)[0] = table[ptr8(plane)[0]]
  ptr32(target)[1] = table[ptr8(plane)[1]]
  ptr32(target)[2] = table[ptr8(plane)[2]]
  ptr32(target)[3] = table[ptr8(plane)[3]]
  plane += 4
  target += 16
 end = plane + (count & 3)
 while plane < end:
  ptr32(target)[0] = table[ptr8(plane)[0]]
  plane += 1
  target += 4
 return 0
@micropython.viper
def add_bits(plane: int, target: int, table: ptr32, count: int) -> int:
 end = plane + count - (count & 3)
 while plane < end:
  ptr32(target)[0] = ptr32(target)[0] ^ table[ptr8(plane)[0]]
  ptr32(target)[1] = ptr32(target)[1] ^ table[ptr8(plane)[1]]
  ptr32(target)[2] = ptr32(target)[2] ^ table[ptr8(plane)[2]]
  ptr32(target)[3] = ptr32(target)[3] ^ table[ptr8(plane)[3]]
  plane += 4
  target += 16
 end = plane + (count & 3)
 while plane < end:
  ptr32(target)[0] = ptr32(target)[0] ^ table[ptr8(plane)[0]]
  plane += 1
  target += 4
 return 0
from uctypes import addressof
class Block:
 def __init__(self, size):
  self.size = size
  self.fields = [words(size) for _ in FIELDS]
  self.drive, self.enable, self.pulse = self.fields[:3]
  self.expect, self.care, self.highz, self.repeat = self.fields[3:]
  self.filled = [None] * len(FIELDS)
  self.base = words(len(FIELDS))
  self.known = False
  self.widths = []
  self.ways = []
  self.plane = words((size + 7) // 4 + 1)
  self.table = words(256)
 def forget(self):
  self.known = False
 def load(self, body, count):
  body = memoryview(body)
  opening = body[0]
  if not self.known and opening in (PLANES, SAME):
   raise ValueError('block without a layout')
  if opening == WORDS:
   self.load_words(body, count)
  elif opening == LAYOUT:
   self.load_planes(body, self.load_layout(body), count)
  elif opening == PLANES:
   self.load_planes(body, 1, count)
  elif opening != SAME:
   raise ValueError('block that begins with %d' % opening)
 def load_words(self, body, count):
  at = 1
  for k in range(len(FIELDS)):
   take_bytes(addressof(body) + at, addressof(self.fields[k]), 4 * count)
   at += 4 * count
   self.filled[k] = None
 def load_layout(self, body):
  for k in range(len(FIELDS)):
   self.base[k] = int.from_bytes(bytes(body[1 + 4 * k:5 + 4 * k]), 'little')
  at = 1 + 4 * len(FIELDS)
  columns = body[at]
  end = at + 2 + 4 * body[at + 1]
  self.known = True
  self.widths = [min(8, columns - first) for first in range(0, columns, 8)]
  self.ways = [{} for _ in self.widths]
  for piece in range(at + 2, end, 4):
   column = body[piece]
   bits = self.ways[column >> 3].setdefault(body[piece + 1], words(8))
   for k in range(body[piece + 3]):
    bits[(column & 7) + k] |= 1 << body[piece + 2] + k
  return end
 def load_planes(self, body, at, count):
  base = words(len(FIELDS))
  copy_words(self.base, base, len(FIELDS))
  moving = []
  for number in range(len(self.widths)):
   mode = body[at]
   if mode == CONSTANT:
    self.settle(self.ways[number], body[at + 1], base)
    at += 2
   else:
    moving.append((number, at))
    each = self.widths[number] * ((count + 7) // 8) if mode & TURNED else count
    at += 2 + each
  fresh = [True] * len(FIELDS)
  for number, at in moving:
   plane = self.expand_plane(body, at, count, self.widths[number])
   for k, bits in self.ways[number].items():
    word = base[k] if fresh[k] else 0
    fill_table(addressof(self.table), word, bits, self.widths[number])
    look_up = begin_words if fresh[k] else add_bits
    look_up(plane, addressof(self.fields[k]), self.table, count)
    fresh[k] = False
  for k in range(len(FIELDS)):
   self.hold(k, base[k] if fresh[k] else None)
 def settle(self, ways, byte, base):
  for k, bits in ways.items():
   for bit in range(8):
    if byte >> bit & 1:
     base[k] ^= bits[bit]
 def hold(self, k, level):
  if level is not None and self.filled[k] != level:
   fill(addressof(self.fields[k]), level, self.size)
  self.filled[k] = level
 def expand_plane(self, body, at, count, width):
  mode = body[at]
  source = addressof(body) + (at + 2)
  if mode == PLAIN:
   return source
  plane = addressof(self.plane)
  if mode & TURNED:
   groups = (count + 7) // 8
   fill(plane, 0, 2 * groups)
   for column in range(width):
    turn(source + column * groups, plane, column, groups)
   source = plane
  if mode & 3 == SUB:
   undo_sum(source, plane, 0, count)
  elif mode & 3 != PLAIN:
   back = min(body[at + 1], count)
   take_bytes(source, plane, back)
   undo_xor(source + back, plane + back, plane, count - back)
  return plane
def body_size(count):
 return 1 + len(FIELDS) * 4 * count
import binascii
import gc
import json
import struct
import sys
from array import array
AGENT = '1.1'
UNTIL_PART = 4096
MIN_ROWS = 32
ROW_BYTES = 138
HELD = ['block', 'work', 'seen', 'floating', 'wrong', 'tested', 'row_of', 'pass_of', 'body', 'raw']
class Refused(Exception):
 kind = b'refused'
class Aborted(Exception):
 pass
def fitting(rows, free):
 while rows > MIN_ROWS and 3 * ROW_BYTES * rows > 2 * free:
  rows //= 2
 return rows
class Engine:
 def __init__(self, pins, rows=1024):
  self.pins = pins
  self.look_up = None
  self.rows = rows
  self.allocate()
  self.counts = words(32)
  self.loaded = 0
  self.start(0, 0)
 def allocate(self):
  gc.collect()
  self.free = gc.mem_free() if hasattr(gc, 'mem_free') else None
  if self.free is not None:
   self.rows = fitting(self.rows, self.free)
  while self.rows:
   try:
    self.reserve(self.rows)
   except MemoryError:
    self.release_memory()
    self.rows = self.rows // 2 if self.rows > MIN_ROWS else 0
   else:
    return
 def release_memory(self):
  for name in HELD:
   setattr(self, name, None)
  gc.collect()
 def reserve(self, rows):
  self.block = Block(rows)
  self.work = Block(rows)
  self.seen = words(rows)
  self.floating = words(rows)
  self.wrong = words(rows)
  self.tested = words(rows)
  self.row_of = words(rows)
  self.pass_of = words(rows)
  self.body = bytearray(body_size(rows))
  self.raw = bytearray(body_size(rows) + 64)
 def command(self, kind, payload):
  if not self.rows:
   raise Refused('the smallest block, of %d vectors, takes %d bytes, and the board has %s free, in pieces; take large modules out of its boot program' % (MIN_ROWS, MIN_ROWS * ROW_BYTES, self.free))
  if kind == LOAD:
   return self.load(payload)
  if kind == BLOCK:
   return self.run_block(payload)
  if kind == START:
   self.start(*struct.unpack('<IIB', payload))
   return b''
  if kind == TOTALS:
   return self.totals()
  if kind == TIMING:
   return self.timing(payload)
  if kind == BIND:
   self.pins.bind(list(payload))
   return b''
  if kind == SENSE:
   return json.dumps(self.pins.sense(list(payload))).encode()
  if kind == HELLO:
   return self.hello()
  raise Refused('unknown command %d' % kind)
 def hello(self):
  about = sys.implementation
  name = about[0] if isinstance(about, tuple) else about.name
  version = about[1] if isinstance(about, tuple) else about.version
  facts = {'agent': AGENT, 'protocol': VERSION, 'interpreter': '%s %s' % (name, '.'.join([str(part) for part in version[:3]])), 'backend': self.pins.name, 'exact': self.pins.exact, 'board': self.pins.serial(), 'rows': self.rows}
  if self.pins.exact:
   facts['burst'] = self.pins.limits()
  return json.dumps(facts).encode()
 def timing(self, payload):
  period, settle, sample = struct.unpack('<III', payload)
  achieved, parts = self.pins.timing(period, settle, sample)
  return struct.pack('<II', achieved, parts)
 def start(self, first, stop, manner=0):
  self.checked = self.began = 0
  self.manner = manner
  self.before = self.pins.bursts
  self.pins.took()
  if not self.pins.exact:
   self.pins.also = -(stop > first)
  self.first = first
  self.stop = min(stop, first + MAX_WINDOW)
  self.cycle = 0
  self.bad = 0
  self.kept = 0
  self.crc = 0
  self.block_crc = 0
  self.loaded = 0
  if self.rows:
   self.block.forget()
  for bit in range(32):
   self.counts[bit] = 0
 def load(self, payload):
  end = self.loaded + len(payload)
  if end > len(self.raw):
   raise Refused('block body of more than %d bytes' % len(self.raw))
  memoryview(self.raw)[self.loaded:end][:] = payload
  self.loaded = end
  return b''
 def totals(self):
  cycles, bad = (self.cycle & 4294967295, self.bad & 4294967295)
  pauses = max(self.pins.bursts - self.before - 1, 0)
  answer = struct.pack('<IIIIQ', cycles, bad, self.crc, pauses, self.pins.took())
  for bit in range(32):
   if self.counts[bit]:
    answer += struct.pack('<BI', bit, self.counts[bit])
  return answer
 def run_block(self, payload):
  flags, count = self.take_block(payload)
  self.misses = []
  self.untils = []
  self.window = []
  self.pins.idle = self.look_up
  if self.pins.exact:
   self.pins.perform(self, count)
  elif flags & REPEATS:
   self.run_repeats(count)
  else:
   self.burst(self.block, count, 0)
  if self.checked and (not self.fulfilled(struct.unpack('<I', payload[3:7])[0])):
   words = bytes(memoryview(self.seen)[:self.cycle - self.began])
   return self.answer() + struct.pack('<I', self.began) + words
  return self.answer()
 def take_block(self, payload):
  flags, count = struct.unpack('<BH', payload[:3])
  self.checked = flags & CHECKED
  self.began = self.cycle
  self.load(payload[7 if self.checked else 3:])
  if count > self.rows:
   raise Refused('block of %d vectors, room for %d' % (count, self.rows))
  self.unpack(flags, count)
  return (flags, count)
 def unpack(self, flags, count):
  body = memoryview(self.raw)[:self.loaded]
  self.loaded = 0
  if flags & MATCHED:
   unmatch(body, self.body, array('I', [len(body), len(self.body)]))
   body = self.body
  self.block.load(body, count)
 def run_repeats(self, count):
  block = self.block
  used = 0
  for row in range(count):
   repeat = block.repeat[row]
   if repeat & UNTIL:
    self.flush(used)
    used = 0
    self.run_until(row, repeat & 2147483647)
    continue
   done = 0
   while done < repeat:
    size = min(repeat - done, self.rows - used)
    self.place(row, done, used, size)
    used += size
    done += size
    if used == self.rows:
     self.flush(used)
     used = 0
  self.flush(used)
 def place(self, row, done, used, size):
  where = array('I', [row, used, size])
  for k in range(6):
   copy_row(self.block.fields[k], self.work.fields[k], where)
  where[0] = done
  count_up(self.pass_of, where)
  self.row_of[used] = row
  if size > 1:
   where[0] = used
   copy_row(self.row_of, self.row_of, where)
 def flush(self, count):
  if count:
   self.burst(self.work, count, -1)
 def burst(self, block, count, row):
  self.pins.run(block, count, self.seen, self.floating)
  self.judge(block, 0, count, row, 0)
 def fulfilled(self, promised):
  crc = self.block_crc
  self.block_crc = promised
  return crc == promised
 def words_at(self, count):
  used = self.cycle - self.began
  if not (self.checked and used):
   return self.seen
  if used + count > self.rows:
   raise Refused('checked block of more than %d cycles' % self.rows)
  return memoryview(self.seen)[used:]
 def judge(self, block, at, count, row, passed):
  if self.checked:
   self.sum_words(block, at, count)
  else:
   self.compare_words(block, at, count, row, passed)
  if self.cycle < self.stop and self.cycle + count > self.first:
   self.keep_window(count, row, passed)
  self.cycle += count
  if self.look_up:
   self.look_up()
 def sum_words(self, block, at, count):
  care = memoryview(block.care)[at:] if at else block.care
  mask(self.words_at(count), care, self.tested, count)
  tested = memoryview(self.tested)[:count]
  crc = binascii.crc32(tested, self.block_crc)
  self.crc = crc if self.crc == self.block_crc else binascii.crc32(tested, self.crc)
  self.block_crc = crc
 def compare_words(self, block, at, count, row, passed):
  want = (block.expect, block.care, block.highz)
  if at:
   want = [memoryview(field)[at:] for field in want]
  bad = compare(want, (self.seen, self.floating, self.wrong, self.tested), 0, count)
  self.crc = binascii.crc32(memoryview(self.tested)[:count], self.crc)
  if bad:
   self.bad += bad
   tally(self.wrong, self.counts, count)
   self.keep_mismatches(count, row, passed)
 def entry(self, k, row, passed):
  cycle = self.cycle + k
  seen = self.seen[cycle - self.began if self.checked else k]
  if row < 0:
   return (cycle, self.row_of[k], self.pass_of[k], seen, self.floating[k])
  return (cycle, row + k, passed, seen, self.floating[k])
 def keep_mismatches(self, count, row, passed):
  k = 0
  while k < count and self.kept < MAX_KEPT:
   if self.wrong[k]:
    self.misses.append(self.entry(k, row, passed) + (self.wrong[k],))
    self.kept += 1
   k += 1
 def keep_window(self, count, row, passed):
  for k in range(max(0, self.first - self.cycle), min(count, self.stop - self.cycle)):
   self.window.append(self.entry(k, row, passed))
 def run_until(self, row, limit):
  block = self.block
  vector = [block.fields[k][row] for k in range(5)]
  used = 0
  while True:
   part = min(limit - used, UNTIL_PART)
   took, seen, matched = self.pins.until(vector, part)
   used += took
   if matched or used >= limit:
    break
   if self.look_up:
    self.look_up()
  self.untils.append((row, used))
  self.cycle += used - 1
  self.seen[0] = seen
  self.floating[0] = 0
  self.judge(block, row, 1, row, used - 1)
 def answer(self):
  parts = [struct.pack('<BBB', len(self.misses), len(self.untils), len(self.window))]
  for entry in self.misses:
   parts.append(struct.pack('<IHIIII', *entry))
  for entry in self.untils:
   parts.append(struct.pack('<HI', *entry))
  for entry in self.window:
   parts.append(struct.pack('<IHIII', *entry))
  self.misses = self.untils = self.window = []
  return b''.join(parts)
import struct
try:
 link = None
except ImportError:
 link = None
RUN = 1
UNTIL_MATCH = 2
PERIOD = 3
WHO = 4
RELEASE = 5
MEASURE = 6
NOTHING = 4294967295
class Pins:
 name = 'virtual'
 exact = False
 bursts = 0
 rows = 1024
 also = 0
 def __init__(self):
  self.link = link
  self.buffer = bytearray(4)
  self.idle = None
 def ask(self, operation, a=0, b=0, c=0):
  self.link.write(struct.pack('<IIII', operation, a, b, c))
 def read(self, target):
  view = memoryview(target)
  at = 0
  while at < len(view):
   at += self.link.readinto(view[at:])
 def serial(self):
  self.ask(WHO)
  return self.text()
 def bind(self, numbers):
  pass
 def timing(self, period_ns, settle_ns, sample_ns):
  self.ask(PERIOD, period_ns, settle_ns, sample_ns)
  return (period_ns, 1)
 def run(self, block, count, seen, floating):
  self.ask(RUN, count)
  for field in (block.drive, block.enable, block.pulse, block.highz):
   self.link.write(memoryview(field)[:count])
  self.hear()
  self.read_words(seen, count)
  self.read_words(floating, count)
 def hear(self):
  text = self.text()
  if text:
   refused = Refused(text)
   refused.kind = b'no model'
   raise refused
 def text(self):
  size = bytearray(4)
  self.read(size)
  data = bytearray(struct.unpack('<I', size)[0])
  self.read(data)
  return bytes(data).decode()
 def read_words(self, target, count):
  if len(self.buffer) < 4 * count:
   self.buffer = bytearray(4 * count)
  self.read(memoryview(self.buffer)[:4 * count])
  copy_words(self.buffer, target, count)
 def until(self, vector, limit):
  self.ask(UNTIL_MATCH, limit)
  self.link.write(struct.pack('<IIIII', *vector))
  self.hear()
  answer = bytearray(12)
  self.read(answer)
  used, seen, matched = struct.unpack('<III', answer)
  return (used, seen, bool(matched))
 def took(self):
  return 0
 def sense(self, numbers):
  return [self.measured(number) for number in numbers]
 def measured(self, number):
  self.ask(MEASURE, number)
  answer = bytearray(4)
  self.read(answer)
  reading = struct.unpack('<I', answer)[0]
  return None if reading == NOTHING else reading
 def release(self):
  self.ask(RELEASE)
class Server:
 def __init__(self, session, engine, port):
  self.session = session
  self.engine = engine
  self.port = port
  self.deframer = Deframer()
  self.expected = 0
  self.answers = [b''] * 256
  self.waiting = []
  self.closed = False
  self.gap_sent = False
  engine.look_up = self.look_up
 def serve(self):
  self.port.write(frame(self.session, 0, BUSY, b''))
  while not self.closed:
   self.step()
 def step(self):
  frames = self.deframer
  frames.begin(self.port.chunk, self.port.read(frames.wanted()))
  while not self.closed and (size := frames.next()):
   body = frames.view[:size]
   frames.turn()
   self.take(body)
  while self.waiting and (not self.closed):
   self.take(self.waiting.pop(0))
 def look_up(self):
  if not self.port.overdue():
   return
  self.port.write(frame(self.session, self.expected, BUSY, b''))
  frames = self.deframer
  self.waiting += frames.rest()
  while self.port.ready():
   self.waiting += frames.feed(self.port.chunk, self.port.read(frames.wanted()))
  for body in self.waiting:
   if self.is_goodbye(body) or (body[0] == self.session and body[2] == ABORT):
    raise Aborted
 def is_goodbye(self, body):
  return body[0] == ANYONE and body[2] == BYE
 def take(self, body):
  number = body[1]
  if self.is_goodbye(body):
   self.closed = True
  elif body[0] != self.session:
   pass
  elif number == self.expected:
   self.gap_sent = False
   self.answers[number - REMEMBER & 255] = b''
   answer = self.perform(number, body[2], memoryview(body)[3:])
   self.answers[number] = answer
   self.expected = number + 1 & 255
   self.port.write(answer)
  elif self.answers[number]:
   self.port.write(self.answers[number])
  elif not self.gap_sent:
   self.gap_sent = True
   self.port.write(frame(self.session, self.expected, GAP, b''))
 def perform(self, number, kind, payload):
  try:
   if kind == BYE:
    self.closed = True
    return frame(self.session, number, DONE, b'')
   if kind == ABORT:
    return frame(self.session, number, DONE, b'')
   self.port.begin()
   return frame(self.session, number, DONE, self.engine.command(kind, payload))
  except Refused as error:
   return frame(self.session, number, FAULT, error.kind + b': ' + str(error).encode())
  except Aborted:
   return frame(self.session, number, FAULT, b'aborted')
  except MemoryError:
   return frame(self.session, number, FAULT, b'out of memory')
  except Exception as error:
   return frame(self.session, number, FAULT, b'agent: ' + repr(error).encode())
import select
import sys
from time import ticks_diff
from time import ticks_ms
BUSY_MS = 200
class Port:
 def __init__(self):
  self.chunk = memoryview(bytearray(MAX_READ))
  self.source = getattr(sys.stdin.buffer, 'raw', sys.stdin.buffer)
  self.sink = getattr(sys.stdout.buffer, 'raw', sys.stdout.buffer)
  self.poll = select.poll()
  self.poll.register(sys.stdin, select.POLLIN)
  self.since = ticks_ms()
 def read(self, wanted):
  count = self.source.readinto(self.chunk[:wanted])
  if not count:
   raise EOFError
  return count
 def ready(self):
  return bool(self.poll.poll(0))
 def write(self, data):
  view = memoryview(data)
  while view:
   sent = self.sink.write(view)
   view = view[sent or 0:]
 def begin(self):
  self.since = ticks_ms()
 def overdue(self):
  now = ticks_ms()
  if ticks_diff(now, self.since) < BUSY_MS:
   return False
  self.since = now
  return True
def quiet(on):
 try:
  import termios
 except ImportError:
  import micropython
  micropython.kbd_intr(-1 if on else 3)
 else:
  if on:
   termios.setraw(0)
def begin(pins, session):
 quiet(True)
 try:
  Server(session, Engine(pins, pins.rows), Port()).serve()
 except EOFError:
  pass
 finally:
  pins.release()
  quiet(False)

DATA = open("/tmp/P2x/stream.bin","rb").read()
class FakeEngine:
    look_up = None
    def command(self, kind, payload): return b""
class FakePort:
    def __init__(self):
        self.chunk = bytearray(256); self.view = memoryview(self.chunk); self.at = 0; self.data = memoryview(DATA)
    def read(self, wanted=64):
        part = self.data[self.at:self.at+wanted]
        self.view[:len(part)] = part
        self.at += len(part)
        return len(part)
    def ready(self): return False
    def write(self, data): pass
    def begin(self): pass
    def overdue(self): return False
p = FakePort(); s = Server(3, FakeEngine(), p)
n = len(DATA)
while p.at < n:
    if hasattr(s, "step"): s.step()
    else:
        s.listen()
        while s.waiting: s.take(s.waiting.pop(0))
print(s.expected)
