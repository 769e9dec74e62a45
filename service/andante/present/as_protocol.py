"""A protocol as JSON: every number and switch with its source, and what the site changed."""

from andante.domain.protocol import Number, Protocol
from andante.present.as_json import Json, number_json
from andante.protocol_files import resolve
from andante.wording import CAUTION


def protocol_json(protocol: Protocol) -> Json:
    """`entries` in the file's order; levels in mmol/L, with the printed unit in the note."""
    return {
        "id": protocol.id,
        "version": protocol.version,
        "title": protocol.title,
        "effective": protocol.effective,
        "signature": protocol.signature,
        "hash": protocol.hash,
        "overlay": list(protocol.overlay),
        "entries": [
            number_json(entry)
            if isinstance(entry, Number)
            else {
                "path": entry.path,
                "value": entry.value,
                "unit": None,
                "source": entry.source,
                "tag": entry.tag,
                "note": entry.note or None,
            }
            for entry in resolve(protocol).values()
        ],
        "risk": {
            "criteria": [
                {
                    "id": criterion.id,
                    "text": criterion.text,
                    "source": criterion.source,
                    "tag": criterion.tag,
                    "would_settle": criterion.would_settle,
                }
                for criterion in protocol.risk.criteria
            ],
            "counting": [
                {"tier": count.tier, "level": count.level, "at_least": count.at_least}
                for count in protocol.risk.counting
            ],
            "needed_to_rule_out": list(protocol.risk.needed_to_rule_out),
        },
        "caution": CAUTION,
    }
