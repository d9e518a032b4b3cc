"""What a piece says it needs is what its expressions read: no column less, none more, none twice."""

import pytest

from pipeline.evidence import all_pieces
from pipeline.fault import Piece
from pipeline.faults import CATALOGUE

PIECES = [pytest.param(piece, id=f"{owner}-{piece.name}") for owner, piece in all_pieces(CATALOGUE)]


@pytest.mark.parametrize("piece", PIECES)
def test_a_piece_needs_exactly_what_its_expressions_read(piece: Piece) -> None:
    read = {name for value in piece.by_leg.values() for name in value.meta.root_names()}

    assert sorted(piece.needs) == sorted(read)
