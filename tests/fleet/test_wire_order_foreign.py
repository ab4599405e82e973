"""Two COSE libraries written by others verify our orders. Slow: it makes an environment of its own, as one of them
can't be had together with the CBOR library we use."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from fleet.messages import BandSettings
from fleet.wire_order import OrderKind, RetuneOrder, seal

KEY, KEY_ID, TOPIC = bytes(range(32)), b"n017-1", "marsh/n017/retune"
READERS = """
import json, sys
from pycose.messages import CoseMessage
from pycose.keys import SymmetricKey
import cwt
given = json.load(sys.stdin)
key, topic = bytes.fromhex(given["key"]), given["topic"].encode()
said = []
for text in given["frames"]:
    frame = bytes.fromhex(text)
    try:
        message = CoseMessage.decode(frame)
        message.key = SymmetricKey(k=key)
        message.external_aad = topic
        one = bool(message.verify_tag())
    except Exception:
        one = False
    try:
        symmetric = cwt.COSEKey.from_symmetric_key(key=key, alg="HS256", kid=given["kid"].encode())
        cwt.COSE.new().decode(frame, keys=symmetric, external_aad=topic)
        two = True
    except Exception:
        two = False
    said.append([one, two])
print(json.dumps(said))
"""


@pytest.mark.slow
def test_two_foreign_readers_verify_ours(tmp_path: Path) -> None:
    """pycose 1.1 and cwt 3, with cbor2 5.9 (pycose can't decode with 6)."""
    folder = tmp_path / "foreign"
    subprocess.run([sys.executable, "-m", "venv", str(folder)], check=True)
    pip = [str(folder / "bin" / "pip"), "install", "-q", "cbor2==5.9.0", "pycose==1.1.0", "cwt==3.3.0"]
    made = subprocess.run(pip, capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.fail(f"the environment with pycose and cwt can't be made, so nothing was checked:\n{made.stderr}")
    settings = BandSettings(lo=0.8, hi=2.0, hyst=0.05, sleep_s=900.0, period_ms=100.0, avg=8)
    order = RetuneOrder(kind=OrderKind.SETTINGS, rev=8, word=bytes(8), issued=1, until=2, settings=settings)
    keep = RetuneOrder(kind=OrderKind.KEEP, rev=8, word=b"", issued=1, until=2)
    frames = [seal(one, key=KEY, key_id=KEY_ID, topic=TOPIC) for one in (order, keep)]
    forged = bytearray(frames[0])
    forged[-1] ^= 1
    elsewhere = seal(order, key=KEY, key_id=KEY_ID, topic="marsh/n018/retune")
    given = {
        "key": KEY.hex(), "kid": KEY_ID.decode(), "topic": TOPIC,
        "frames": [frame.hex() for frame in (*frames, bytes(forged), elsewhere)],
    }  # fmt: skip
    python = str(folder / "bin" / "python")
    done = subprocess.run([python, "-c", READERS], input=json.dumps(given), capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout) == [[True, True], [True, True], [False, False], [False, False]]
