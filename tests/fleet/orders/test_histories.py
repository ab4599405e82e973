"""Random histories of the real ledger, real sealed bytes and the reference node's own code."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from msgspec.structs import replace

from fleet.demo.micropython_node.flash import Flash
from fleet.demo.micropython_node.settings import Settings
from fleet.errors import OrderError
from fleet.messages import BandSettings
from fleet.orders import Order, Proof, expire
from fleet.orders_ledger import NodeLedger, hear, next_rev
from fleet.orders_seal import Seal, sealed, sealed_keep
from fleet.words import OrderState

KEY, KEY_ID, TOPIC, NOW = bytes(range(32)), b"n1-1", "marsh/n1/retune", 1_764_000_000.0
FACTORY = {"lo": 0.8, "hi": 2.0, "hyst": 0.05, "sleep_s": 900, "period_ms": 100, "avg": 8}


class Histories(RuleBasedStateMachine):
    """One node, one tool, and a broker that hands over anything ever posted."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="flash-"))
        self.word, self.wakes, self.lives = "00" * 8, 0, 0
        self.node = Settings(Flash(str(self.folder)), FACTORY)
        self.ledger = NodeLedger(node="n1", word=self.word, life_wakes=0)
        self.posted: list[bytes] = []
        self.flying: list[Proof] = []
        self.held: set[tuple[str, int]] = set()
        self.applied = 0

    def teardown(self) -> None:
        shutil.rmtree(self.folder)

    def form(self, rev: int) -> Seal:
        return Seal(
            topic=TOPIC, rev=rev, now=NOW, valid_d=7.0, trial_wakes=2, key=KEY, key_id=KEY_ID,
            word=self.ledger.word or "", life_wakes=self.ledger.life_wakes or 0, wakes_per_d=1.0,
        )  # fmt: skip

    @rule(lo=st.floats(0.2, 1.0))
    def post(self, lo: float) -> None:
        try:
            rev = next_rev(self.ledger)
        except OrderError:
            return
        wanted = BandSettings(lo=lo, hi=2.0, hyst=0.05, sleep_s=900.0, period_ms=100.0, avg=8)
        draft = Order(node="n1", state=OrderState.DRAFTED, state_at=NOW, settings=wanted)
        order, frame = sealed(draft, self.form(rev))
        self.posted.append(frame)
        posted = order.moved(OrderState.POSTED, at=NOW)
        self.ledger = replace(self.ledger, orders=(*self.ledger.orders, posted))

    @rule()
    def keep(self) -> None:
        for order in self.ledger.orders:
            if order.state is OrderState.ON_TRIAL:
                self.posted.append(sealed_keep(order, self.form(order.rev)))

    @rule()
    def lapse(self) -> None:
        orders = tuple(expire(order, now=NOW + 8 * 86_400) for order in self.ledger.orders)
        self.ledger = replace(self.ledger, orders=orders)

    @rule(cause=st.sampled_from(["timer", "timer", "timer", "brownout", "watchdog"]))
    def wake(self, cause: str) -> None:
        self.wakes += 1
        self.node.woke(cause)
        self.told()

    @precondition(lambda self: self.posted)
    @rule(which=st.integers(0, 99), flip=st.none() | st.integers(0, 799))
    def hand_over(self, which: int, flip: int | None) -> None:
        """Any message ever posted arrives again; sometimes with one bit changed."""
        frame = bytearray(self.posted[which % len(self.posted)])
        if flip is not None:
            frame[flip // 8 % len(frame)] ^= 1 << flip % 8
        before = self.node.now()["rev"]
        at = {"word": bytes.fromhex(self.word), "wakes": self.wakes, "t": 0}
        rev, why = self.node.take(bytes(frame), (KEY, KEY_ID), TOPIC.encode(), at)
        if flip is not None:
            assert (rev, why != "") == (0, True)
        if self.node.now()["rev"] != before:
            assert self.node.now()["rev"] > self.applied
            self.applied = self.node.now()["rev"]
        self.told()

    @precondition(lambda self: self.lives < 2)
    @rule()
    def wipe(self) -> None:
        self.lives += 1
        shutil.rmtree(self.folder)
        self.folder.mkdir()
        self.word, self.wakes, self.applied = f"{self.lives:02}" * 8, 0, 0
        self.node = Settings(Flash(str(self.folder)), FACTORY)

    @rule()
    def power_cut(self) -> None:
        self.node = Settings(Flash(str(self.folder)), FACTORY)

    @precondition(lambda self: self.flying)
    @rule(which=st.integers(0, 99), again=st.booleans())
    def record_arrives(self, which: int, again: bool) -> None:
        proof = self.flying[which % len(self.flying)]
        if not again:
            self.flying.remove(proof)
        self.ledger = hear(self.ledger, proof)

    def told(self) -> None:
        told = dict(self.node.told())
        settings_told = BandSettings(**told)
        self.flying.append(Proof(at=NOW, settings=settings_told, word=self.word, life_wakes=self.wakes))
        if not settings_told.trial:
            self.held.add((self.word, settings_told.rev))

    @invariant()
    def in_force_is_true(self) -> None:
        """ "In force" only if the node really ran it kept; it never runs an unkept order outside a trial."""
        for order in self.ledger.orders:
            if order.state is OrderState.IN_FORCE:
                assert (order.word, order.rev) in self.held
        if self.node.turn["left"] is None:
            assert self.node.turn["use"] == self.node.turn["kept"]


Histories.TestCase.settings = settings(max_examples=150, stateful_step_count=30, deadline=None, derandomize=True)
TestHistories = Histories.TestCase
