"""Messages for the tests of HL7; all made up here."""

from __future__ import annotations

HEAD = (
    r"MSH|^~\&|BEDSIDE 2^0012210039001122^EUI-64|NORTH||  |20260114030500+0100||ORU^R01^ORU_R01|"
    "M1|P|2.6|||NE|AL|||||PCD_DEC_001^IHE PCD^1.3.6.1.4.1.19376.1.6.1.1.1^ISO"
)
PID = "PID|||P17^^^UNIT^PI||^^^^^^S"
PV1 = "PV1||I|T^1^2"
OBR = "OBR|1||A^B|182777000^monitoring of patient^SCT|||20260114030500+0100"
DEVICE = "OBX|1||1^Monitor^99OUR|1.0.0.0|||||||X|||||||0012210039001122^^0012210039001122^EUI-64"
SATURATION = (
    "OBX|2|NM|150456^MDC_PULS_OXIM_SAT_O2^MDC|1.3.1.1|94|262688^MDC_DIM_PERCENT^MDC|||||R|||"
    "20260114030501+0100"
)
RECTAL = "OBX|3|NM|8332-9^Rectal temperature^LN|1.3.1.2|98.6|[degF]^^UCUM|||||F"
ORAL = "OBX|4|NM|188424^MDC_TEMP_ORAL^MDC|1.3.1.3|36.9|Cel^^UCUM|||||F"
USUAL = (HEAD, PID, PV1, OBR, DEVICE, SATURATION, RECTAL, ORAL)


def message(*segments: str, charset: str = "ascii") -> bytes:
    return ("\r".join(segments or USUAL) + "\r").encode(charset)


def head(**fields: str) -> str:
    """Return a segment MSH with other fields, such as ``msh_10="M2"``."""
    parts = HEAD.split("|")
    for name, value in fields.items():
        number = int(name.removeprefix("msh_"))
        parts += [""] * (number - len(parts))
        parts[number - 1] = value
    return "|".join(parts)


def obx(**fields: str) -> str:
    """Return a segment OBX of a skin temperature with other fields, such as ``obx_11="D"``."""
    parts = [
        "OBX", "1", "NM", "150388^MDC_TEMP_SKIN^MDC", "1.1.1.1", "36.4",
        "268192^MDC_DIM_DEGC^MDC", "", "", "", "", "R", "", "", "20260114030500+0100",
    ]  # fmt: skip
    for name, value in fields.items():
        number = int(name.removeprefix("obx_"))
        parts += [""] * (number + 1 - len(parts))
        parts[number] = value
    return "|".join(parts)
