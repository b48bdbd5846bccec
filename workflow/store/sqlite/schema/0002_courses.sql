-- When each job was where: what figures and forecasts are made of. It stands apart since most commits
-- don't change it, and since it is listed without the rest.
CREATE TABLE courses (
	job INTEGER PRIMARY KEY REFERENCES jobs,
	shop TEXT NOT NULL,
	booked_at INTEGER NOT NULL,
	number TEXT NOT NULL,
	course TEXT NOT NULL -- JSON, nothing about a person
) STRICT;
CREATE INDEX courses_booked ON courses (shop, booked_at, number);

-- The jobs that are here already. A course is a part of the job's state.
INSERT INTO courses (job, shop, booked_at, number, course)
SELECT id, shop, CAST(round(unixepoch(state ->> '$.booked_at', 'subsec') * 1000) AS INTEGER), number, json_object(
	'job', number, 'booked_at', state ->> '$.booked_at', 'ended_at', state ->> '$.ended_at',
	'kind', state ->> '$.device.kind', 'outcome', state ->> '$.outcome',
	'visits', json((SELECT json_group_array(json(v)) FROM (
		SELECT json_object('stage', 'booked', 'since', state ->> '$.booked_at') AS v, -1 AS place
		UNION ALL SELECT json_object('stage', value ->> '$.to', 'since', value ->> '$.at'), key FROM json_each(state, '$.story') WHERE value ->> '$.kind' = 'stage.moved'
		ORDER BY place))),
	'promises', json((SELECT nullif(json_group_array(json(json_remove(value, '$.reason'))), '[]') FROM json_each(state, '$.promises'))),
	'pauses', json(state -> '$.pauses'))
FROM jobs;
