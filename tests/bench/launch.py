"""Run Python with some arguments and say what it took: a small process of its own.

A process begun by a large one bears the peak memory of the large one; begun from here it does not.
"""

import json
import os
import subprocess
import sys
import time

if __name__ == "__main__":
    begin = time.perf_counter()
    process = subprocess.Popen([sys.executable, *sys.argv[1:]], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    took = {
        "code": os.waitstatus_to_exitcode(status),
        "wall": time.perf_counter() - begin,
        "cpu": usage.ru_utime + usage.ru_stime,
        "peak": usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024),
    }
    print(json.dumps(took))
