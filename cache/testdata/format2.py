#!/usr/bin/env python3
"""Writes the store testdata/format2 as FORMAT.md describes it, without the package, or
reads all packs of a store and prints what they hold.

    format2.py write FOLDER
    format2.py read FOLDER
"""
import hashlib, os, struct, sys


def sha(b):
    return hashlib.sha256(b).digest()


def put(path, data):
    path = os.path.join(root, path)
    os.makedirs(os.path.dirname(path), exist_ok=True)
    with open(path, "wb") as f:
        f.write(data)


def uvarint(n):
    out = b""
    while n >= 128:
        out += bytes([n & 127 | 128])
        n >>= 7
    return out + bytes([n])


def string(b):
    return uvarint(len(b)) + b


def sealed(magic, body):
    b = magic + struct.pack("<Q", 8 + 8 + len(body) + 32) + body
    return b + sha(b)


def rows(list):
    return struct.pack("<Q", len(list)) + b"".join(i + struct.pack("<QQ", at, n) for i, at, n in list)


def pack(nonce, blobs, entries, gap):
    """A pack's name and bytes; entries are (action, sealed file)."""
    b, blob_rows, entry_rows = b"lwpack01", [], []
    for data in blobs:
        b += b"lwblob01" + sha(data) + struct.pack("<Q", len(data))
        blob_rows.append((sha(data), len(b), len(data)))
        b += data
    b += gap
    for action, data in entries:
        entry_rows.append((action, len(b), len(data)))
        b += data
    tail = nonce + rows(blob_rows) + rows(entry_rows)
    tail += struct.pack("<QQ", len(b), len(b) + len(tail) + 24) + b"lwtail01"
    return sha(tail), b + tail


def uses(name, ages):
    b = b"lwuses01" + name + struct.pack("<%dH" % len(ages), *ages)
    return b + sha(b)[:8]


def write():
    blob = b"from,to\n1,2\n" * 20
    action = sha(b"action 1")
    fields = [(b"stage", b"count"), (b"gate", b"0.005"), (b"long", b"x" * 300), (b"not text", b"\xff\x00")]
    body = action + struct.pack("<q", 1935662400_000000001) + string(b"count") + string(b"")
    body += uvarint(2) + string(b"cycles") + sha(blob) + struct.pack("<qB", len(blob), 1)
    body += string(b"trace") + sha(b"trace") + struct.pack("<qB", 5, 0)
    body += uvarint(len(fields)) + b"".join(string(l) + string(v) for l, v in fields)
    refused = sha(b"action 2")
    body2 = refused + struct.pack("<q", -1) + string(b"ingest") + string("größer".encode()) + uvarint(0) + uvarint(0)
    older = sha(b"action 2") + struct.pack("<q", -2) + string(b"ingest") + string(b"replaced") + uvarint(0) + uvarint(0)

    put("format", b"lapwear cache 2\n")
    for n, (blobs, entries, gap, ages) in enumerate((
        ([blob, b""], [], b"", []),
        ([], [(action, sealed(b"lwentry1", body)), (refused, sealed(b"lwentry1", older))], b"half a blob", [0, 65535]),
        ([], [(refused, sealed(b"lwentry1", body2))], b"", [1]),
    )):
        name, b = pack(b"0123456789abcde%d" % n, blobs, entries, gap)
        put("packs/" + name.hex(), b)
        put("uses/" + name.hex(), uses(name, ages))
    put("runs/" + sha(b"/out").hex(), sealed(b"lwrun001", string(b"/out") + uvarint(1) + action + string(b"record")))
    index = b"lwindex1"
    for path, inode in ((b"/laps/1.csv", 0), (b"/laps/2.csv", 2**64 - 1)):
        p = sha(path) + struct.pack("<qqqQqq", 1 << 40, 7, 8, inode, 9_000000000, 10_000000000) + path
        index += struct.pack("<I", len(p)) + p + sha(p)[:8]
    put("index", index)


def read_rows(b):
    (n,) = struct.unpack_from("<Q", b)
    out = [(b[8 + 48 * i : 40 + 48 * i],) + struct.unpack_from("<QQ", b, 40 + 48 * i) for i in range(n)]
    return out, b[8 + 48 * n :]


def read():
    with open(os.path.join(root, "format"), "rb") as f:
        assert f.read() == b"lapwear cache 2\n"
    for name in sorted(os.listdir(os.path.join(root, "packs"))):
        if name.endswith(".tmp"):
            continue
        with open(os.path.join(root, "packs", name), "rb") as f:
            b = f.read()
        at, length = struct.unpack_from("<QQ", b, len(b) - 24)
        assert b[:8] == b"lwpack01" and b[-8:] == b"lwtail01" and length == len(b)
        assert sha(b[at:]).hex() == name
        blobs, rest = read_rows(b[at + 16:])
        entries, rest = read_rows(rest)
        assert len(rest) == 24
        for i, off, n in blobs:
            assert off + n <= at and sha(b[off : off + n]) == i
            assert b[off - 48 : off] == b"lwblob01" + i + struct.pack("<Q", n)
            print("blob", i.hex(), n)
        for i, off, n in entries:
            e = b[off : off + n]
            assert off + n <= at and e[:8] == b"lwentry1" and struct.unpack_from("<Q", e, 8)[0] == n
            assert e[16:48] == i and sha(e[:-32]) == e[-32:]
            print("entry", i.hex(), n)
        path = os.path.join(root, "uses", name)
        if os.path.exists(path):
            with open(path, "rb") as f:
                u = f.read()
            assert u[:8] == b"lwuses01" and u[8:40].hex() == name and len(u) == 48 + 2 * len(entries)
            assert sha(u[:-8])[:8] == u[-8:]


root = sys.argv[2]
{"write": write, "read": read}[sys.argv[1]]()
