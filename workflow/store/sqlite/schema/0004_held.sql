-- Shops whose jobs stay as they are, because they are being moved to another store or have moved there.
CREATE TABLE held (
	shop TEXT PRIMARY KEY,
	why TEXT NOT NULL
) STRICT, WITHOUT ROWID;
