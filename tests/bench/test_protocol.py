"""What a page may ask: known words with values of their kind; everything else is refused by a word."""

import json
import random
import struct
from typing import Any

import pytest

from previz.bench.protocol import LARGEST, RequestError, picture_message, read_request


def split_picture(message: bytes) -> tuple[dict[str, Any], bytes]:
    """Header and picture of a picture's message."""
    (length,) = struct.unpack_from(">I", message)
    return json.loads(message[4 : 4 + length]), message[4 + length :]


def test_a_turn_is_read() -> None:
    request = read_request('{"do": "turn", "values": {"up": 0.2, "lens": "50 mm"}, "still": false}')
    assert (request.do, request.values, request.still) == ("turn", {"up": 0.2, "lens": "50 mm"}, False)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "not JSON"),
        ("{", "not JSON"),
        ("[" * 4000, "not JSON"),
        ("[]", "not an object"),
        ("null", "not an object"),
        ('{"do": "format"}', "no such request"),
        ('{"do": ["turn"]}', "no such request"),
        ('{"do": "undo", "path": "/etc/passwd"}', 'takes no "path"'),
        ('{"do": "turn"}', 'needs "values"'),
        ('{"do": "turn", "values": {}}', "object of values"),
        ('{"do": "turn", "values": {"__class__": 1}}', "nothing is called"),
        ('{"do": "turn", "values": {"up": NaN}}', "not JSON"),
        ('{"do": "turn", "values": {"up": 1e400}}', "a number or a text"),
        ('{"do": "turn", "values": {"up": true}}', "a number or a text"),
        ('{"do": "turn", "values": {"up": [1]}}', "a number or a text"),
        ('{"do": "turn", "values": {"up": "1\\n[wall]"}}', "a number or a text"),
        ('{"do": "turn", "values": {"up": "' + "9" * 61 + '"}}', "a number or a text"),
        ('{"do": "turn", "values": {"up": ' + "9" * 3000 + "}}", "a number or a text"),
        ('{"do": "frame", "number": 1.5}', "whole number"),
        ('{"do": "frame", "number": true}', "whole number"),
        ('{"do": "write as", "name": "../other"}', "a name has letters"),
        ('{"do": "write as", "name": "a/b"}', "a name has letters"),
        ('{"do": "write as", "name": "..\\\\b"}', "a name has letters"),
        ('{"do": "write as", "name": ".hidden"}', "a name has letters"),
        ('{"do": "paint follows", "on": 1}', "true or false"),
        ('{"do": "undo"}' + " " * LARGEST, "too long"),
    ],
)
def test_anything_else_is_refused_by_a_word(text: str, why: str) -> None:
    with pytest.raises(RequestError, match=why.replace("[", r"\[")):
        read_request(text)


def test_bytes_are_refused() -> None:
    with pytest.raises(RequestError, match="text"):
        read_request(b'{"do": "undo"}')


def test_spoilt_messages_never_raise_anything_else() -> None:
    whole = json.dumps({"do": "turn", "values": {"up": 0.25, "paint": "wash"}, "still": True})
    chance = random.Random(7)
    odd = [chr(code) for code in (0, 34, 44, 58, 91, 123, 125, 48, 0x2028, 0xD800)]
    refused = 0
    for _ in range(2000):
        letters = list(whole)
        for _ in range(chance.randint(1, 4)):
            letters[chance.randrange(len(letters))] = chance.choice(odd)
        try:
            read_request("".join(letters))
        except RequestError:
            refused += 1
    assert refused > 1000


def test_a_picture_comes_back_out_of_its_message() -> None:
    header = {"is": "coarse", "order": 3, "frame": 1001}
    message = picture_message(header, b"\xff\xd8 picture")
    # four bytes, big end first, as the page reads them (DataView.getUint32)
    assert int.from_bytes(message[:4], "big") == len(json.dumps(header))
    assert split_picture(message) == (header, b"\xff\xd8 picture")
