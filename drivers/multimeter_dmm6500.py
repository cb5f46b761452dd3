"""Multimeters of the DMM6500 class (DMM6500, DMM7510, DAQ6510) in their native SCPI set.

*LANG? is asked first: in TSP mode the meter ignores SCPI and looks dead. Readings come as IEEE doubles in a block of
indefinite length (`#0`), whose eight bytes may hold line feeds: they are read by length. Offset compensation exists
on four-wire ranges up to 10 kilohm.
Source: Keithley DMM6500 Reference Manual DMM6500-901-01, section 12 ([:SENSe[1]]:FUNCtion, :RANGe, :NPLCycles,
:OCOMpensated, :AZERo, :DETector:BANDwidth, :FORMat[:DATA], :FORMat:BORDer, :READ?), appendix B (*LANG).
"""

from __future__ import annotations

import math
import struct
from typing import ClassVar

from drivers import scpi
from drivers.multimeter_scpi_344xx import MeterRow, Multimeter344xx, Setting
from rig.errors import BadReply, NoReply, UsageError, WrongInstrument

OCOM_UPPER_OHM = 10e3
ROW = MeterRow(
    models=r"(MODEL )?D(MM(6500|7510)|AQ6510)",
    offset_compensation=True,
    offset_upper_ohm=OCOM_UPPER_OHM,
    bandwidth="VOLT:AC:DET:BAND",
)


class MultimeterDmm6500(Multimeter344xx):
    """line_hz: as the meter itself finds it (50 or 60)."""

    models: ClassVar[str] = ROW.models
    bandwidths_hz: ClassVar[tuple[float, ...]] = (3.0, 30.0, 300.0)
    test_currents: ClassVar[tuple[tuple[float, float], ...]] = (  # range, A; its data sheet
        (10.0, 1e-2),
        (1e3, 1e-3),
        (10e3, 1e-4),
        (1e6, 1e-5),
        (100e6, 7e-7),
    )

    def open(self) -> None:
        """Opens, identifies, and makes sure that the meter speaks its own SCPI."""
        super().open()
        self._row = ROW

    def _connect(self) -> None:
        """Its language before anything else: in TSP mode it knows no error queue of SCPI and would look dead."""
        self._session.open()
        try:
            self._check_language()
        except NoReply:
            super()._connect()  # no meter of this kind: its identification tells which
            self._check_language()
        else:
            super()._connect()

    def _check_language(self) -> None:
        language = self._session.query("*LANG?", explain=False).strip().upper()
        if language != "SCPI":
            raise WrongInstrument(
                f"its command set is {language}, not SCPI",
                instrument=self._name,
                exchange="*LANG?",
                next_action="Set it to SCPI at its panel (or send *LANG SCPI) and switch it off and on.",
            )

    def _identify_again(self) -> None:
        self._check_language()
        super()._identify_again()

    def _first_words(self) -> None:
        self._row = ROW
        self._session.set(":FORM:DATA REAL", ":FORM:BORD SWAP")

    def _queries(self, setting: Setting) -> list[str]:
        """With the node that the manual writes in front of every setting."""
        return [f"SENS:{query}" for query in super()._queries(setting)]

    def _configure(self, wanted: Setting) -> None:
        session, function = self._session, wanted.function
        node = f":SENS:{function}"
        self._setting = None
        if wanted.offset_compensation and not (wanted.range_ or math.inf) <= OCOM_UPPER_OHM:
            raise UsageError(
                f"{self._name}: offset compensation needs a fixed range of 10 kilohm or less.",
                next_action="Choose such a range, or measure without it.",
            )
        session.write("*CLS")
        session.write(f':SENS:FUNC "{function}"')
        if wanted.range_ is None:
            session.write(f"{node}:RANG:AUTO ON")
        else:
            session.write(f"{node}:RANG {scpi.number(wanted.range_)}")
        if function == "VOLT:AC":
            session.write(f"{node}:DET:BAND {wanted.bandwidth_hz:g}")
        else:
            session.write(f"{node}:NPLC {scpi.number(wanted.nplc)}")
            session.write(f"{node}:AZER ON")
        if function == "FRES":
            session.write(f"{node}:OCOM {'ON' if wanted.offset_compensation else 'OFF'}")
        session.check(f':SENS:FUNC "{function}"')
        self._read_back(wanted, session.ask(*self._queries(wanted)))
        self._setting = wanted

    def _value(self, wanted: Setting) -> float | None:
        data = self._session.block(":READ?", self._deadline_s(wanted), expected=8)
        (value,) = struct.unpack("<d", data)
        if not math.isfinite(value) or math.isclose(abs(value), scpi.NOT_A_NUMBER, rel_tol=1e-6):
            self._link.dirty = True
            raise BadReply(f"{value} is no reading", instrument=self._name, exchange=":READ?")
        return None if self._row.overload.holds(value) else float(value)
