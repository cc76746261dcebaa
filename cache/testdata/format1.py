#!/usr/bin/env python3
"""Writes the store testdata/format1 as FORMAT.md describes it, without the package."""
import hashlib, os, struct, sys

root = sys.argv[1]


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


def fanned(area, digest):
    return "%s/%s/%s" % (area, digest.hex()[:2], digest.hex())


blob = b"from,to\n1,2\n" * 20
action = sha(b"action 1")
fields = [(b"stage", b"count"), (b"gate", b"0.005"), (b"long", b"x" * 300), (b"not text", b"\xff\x00")]
body = action + struct.pack("<q", 1935662400_000000001) + string(b"count") + string(b"")
body += uvarint(2) + string(b"cycles") + sha(blob) + struct.pack("<qB", len(blob), 1)
body += string(b"trace") + sha(b"trace") + struct.pack("<qB", 5, 0)
body += uvarint(len(fields)) + b"".join(string(l) + string(v) for l, v in fields)

refused = sha(b"action 2")
body2 = refused + struct.pack("<q", -1) + string(b"ingest") + string("größer".encode()) + uvarint(0) + uvarint(0)

put("format", b"lapwear cache 1\n")
put(fanned("blobs", sha(blob)), blob)
put(fanned("actions", action), sealed(b"lwentry1", body))
put(fanned("actions", refused), sealed(b"lwentry1", body2))
put("runs/" + sha(b"/out").hex(), sealed(b"lwrun001", string(b"/out") + uvarint(1) + action + string(b"record")))

index = b"lwindex1"
for path, inode in ((b"/laps/1.csv", 0), (b"/laps/2.csv", 2**64 - 1)):
    p = sha(path) + struct.pack("<qqqQqq", 1 << 40, 7, 8, inode, 9_000000000, 10_000000000) + path
    index += struct.pack("<I", len(p)) + p + sha(p)[:8]
put("index", index)
