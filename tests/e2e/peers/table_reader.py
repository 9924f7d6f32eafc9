"""Reads a CSV file with a header, or a file of JSON lines, and writes each row as one JSON object a line.

    table_reader.py FILE.csv|FILE.jsonl
"""

import csv
import json
import sys

with open(sys.argv[1], newline="", encoding="utf-8") as file:
    if sys.argv[1].endswith(".csv"):
        rows = csv.DictReader(file, strict=True)
    else:
        rows = (json.loads(line) for line in file)
    for row in rows:
        if None in row or None in row.values() and sys.argv[1].endswith(".csv"):
            sys.exit(f"a row has not as many cells as the header: {row}")
        print(json.dumps(row))
