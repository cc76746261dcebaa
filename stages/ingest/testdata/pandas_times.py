"""Answers each line of standard input, the name of a way to parse numbers, with the seconds of the processor that pandas' C engine takes to
read the file of the command line that way. Used by BenchmarkBesidePandas."""
import sys
import time

import pandas

print(pandas.__version__, flush=True)
for line in sys.stdin:
    began = time.process_time()
    frame = pandas.read_csv(sys.argv[1], engine="c", float_precision=line.strip() or None)
    took = time.process_time() - began
    assert len(frame) > 0 and frame.dtypes.eq("float64").all()
    del frame
    print(took, flush=True)
