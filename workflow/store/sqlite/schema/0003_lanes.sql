-- Entries go different ways, each in an order of its own: '' is mail.
ALTER TABLE outbox ADD COLUMN via TEXT NOT NULL DEFAULT '';
ALTER TABLE outbox ADD COLUMN channel TEXT NOT NULL GENERATED ALWAYS AS (substr(via, 1, instr(via || '/', '/') - 1)) VIRTUAL;
DROP INDEX outbox_head;
DROP INDEX outbox_ready;
CREATE INDEX outbox_head ON outbox (job, via) WHERE head = 1;
CREATE INDEX outbox_ready ON outbox (shop, channel, ready_at, number, via) WHERE head = 1;
