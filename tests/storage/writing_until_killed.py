"""A process that writes without end, and says each id once its transaction is committed. Run by test_durability."""

from __future__ import annotations

import sys
from itertools import count

from service.domain.actor import LOCAL
from service.storage.records import Records

records = Records.open(sys.argv[1])
for number in count():
    print(f"begin {number}", flush=True)
    with records.write(LOCAL) as writer:
        for part in range(20):
            writer.create({"resourceType": "Basic", "code": {"text": "x" * 500}}, id=f"{number}-{part}")
    print(f"done {number}", flush=True)
