-- Instants are whole milliseconds since 1970 in UTC. A job's rows are found by its id, which never
-- leaves this file; people and programs name jobs by shop and number.
--
-- Rows that can be long stand in tables with a rowid: in one without, SQLite reads the whole of a long
-- row whenever it compares a key with it.

CREATE TABLE jobs (
	id INTEGER PRIMARY KEY,
	shop TEXT NOT NULL,
	number TEXT NOT NULL,
	version INTEGER NOT NULL,
	stage TEXT NOT NULL,
	ended INTEGER NOT NULL,
	calm INTEGER NOT NULL, -- 0 in breach, else 1: the order of the board is all ascending
	due_at INTEGER NOT NULL, -- the largest integer where none is known
	hold TEXT NOT NULL,
	waiting INTEGER NOT NULL,
	title TEXT NOT NULL,
	person TEXT NOT NULL,
	changed_at INTEGER NOT NULL,
	wake_at INTEGER,
	text_sum INTEGER NOT NULL, -- tells whether the job's row in texts is still right
	state TEXT NOT NULL, -- JSON, personal data as digests; last, so that listing reads past it
	UNIQUE (shop, number)
) STRICT;
CREATE INDEX jobs_running ON jobs (shop, calm, due_at, number) WHERE ended = 0;
CREATE INDEX jobs_stage ON jobs (shop, stage, calm, due_at, number);
CREATE INDEX jobs_ended ON jobs (shop, changed_at DESC, number) WHERE ended = 1;
CREATE INDEX jobs_wake ON jobs (shop, wake_at, number) WHERE wake_at IS NOT NULL;

-- How many jobs each stage has, kept with every commit so that nobody needs to count.
CREATE TABLE stages (
	shop TEXT NOT NULL,
	stage TEXT NOT NULL,
	jobs INTEGER NOT NULL,
	PRIMARY KEY (shop, stage)
) STRICT, WITHOUT ROWID;

-- What the search looks in. It seldom changes, so it stands apart from what every commit writes.
CREATE TABLE texts (
	job INTEGER PRIMARY KEY REFERENCES jobs,
	text TEXT NOT NULL, -- as it was given
	words TEXT NOT NULL -- the same as single words without case and accents
) STRICT;

-- The words come folded and parted by spaces. To this tokenizer all that is not ASCII is part of a
-- word, so it takes them as they come.
CREATE VIRTUAL TABLE search USING fts5 (
	words, content = 'texts', content_rowid = 'job', columnsize = 0, detail = none, prefix = '1 2 3', tokenize = 'ascii'
);
-- What is taken out of the index is overwritten in the file, not only marked as gone.
INSERT INTO search (search, rank) VALUES ('secure-delete', 1);

CREATE TABLE events (
	id INTEGER PRIMARY KEY,
	job INTEGER NOT NULL REFERENCES jobs,
	seq INTEGER NOT NULL,
	at INTEGER NOT NULL,
	role TEXT NOT NULL,
	actor TEXT NOT NULL,
	wire TEXT NOT NULL,
	prev TEXT NOT NULL,
	payload TEXT NOT NULL, -- canonical JSON, as hashed
	UNIQUE (job, seq)
) STRICT;

CREATE TABLE vault (
	id INTEGER PRIMARY KEY,
	job INTEGER NOT NULL REFERENCES jobs,
	digest TEXT NOT NULL,
	salt TEXT NOT NULL,
	text TEXT NOT NULL
) STRICT;
CREATE INDEX vault_job ON vault (job);

CREATE TABLE links (
	shop TEXT NOT NULL,
	hash BLOB NOT NULL,
	job INTEGER NOT NULL REFERENCES jobs,
	id TEXT NOT NULL,
	purpose TEXT NOT NULL,
	quote INTEGER NOT NULL,
	expires_at INTEGER,
	revoked INTEGER NOT NULL,
	PRIMARY KEY (shop, hash)
) STRICT, WITHOUT ROWID;

CREATE TABLE outbox (
	entry INTEGER PRIMARY KEY,
	job INTEGER NOT NULL REFERENCES jobs,
	seq INTEGER NOT NULL,
	id TEXT NOT NULL,
	shop TEXT NOT NULL,
	number TEXT NOT NULL,
	kind TEXT NOT NULL,
	ref INTEGER NOT NULL,
	quote INTEGER NOT NULL,
	made_at INTEGER NOT NULL,
	not_before INTEGER NOT NULL,
	state TEXT NOT NULL,
	attempts TEXT, -- JSON
	lease TEXT NOT NULL DEFAULT '',
	lease_until INTEGER,
	-- head: the first queued entry of its job, the only one that may be claimed, and when.
	head INTEGER NOT NULL,
	ready_at INTEGER NOT NULL GENERATED ALWAYS AS (max(not_before, ifnull(lease_until, not_before))) VIRTUAL,
	body BLOB,
	UNIQUE (job, seq, id)
) STRICT;
CREATE INDEX outbox_head ON outbox (job) WHERE head = 1;
CREATE INDEX outbox_ready ON outbox (shop, ready_at, number) WHERE head = 1;
-- Entries that were sent are most of them and rarely asked for: those are found by looking through.
CREATE INDEX outbox_state ON outbox (shop, state, made_at, number, seq, id) WHERE state <> 'sent';

-- Steps that are done once for their key.
CREATE TABLE once (
	id INTEGER PRIMARY KEY,
	shop TEXT NOT NULL,
	key TEXT NOT NULL,
	job INTEGER NOT NULL REFERENCES jobs,
	digest TEXT NOT NULL,
	result BLOB,
	until INTEGER,
	UNIQUE (shop, key)
) STRICT;
CREATE INDEX once_job ON once (job);
CREATE INDEX once_until ON once (shop, until) WHERE until IS NOT NULL;

CREATE TABLE keys (
	shop TEXT NOT NULL,
	bucket TEXT NOT NULL,
	key TEXT NOT NULL,
	value BLOB NOT NULL,
	until INTEGER,
	PRIMARY KEY (shop, bucket, key)
) STRICT, WITHOUT ROWID;
CREATE INDEX keys_until ON keys (shop, until) WHERE until IS NOT NULL;
