-- Schema 5. What was charged for a piece is found by the piece, too: it is looked up whenever a piece changes.
CREATE INDEX charge_by_piece ON charge (piece);
