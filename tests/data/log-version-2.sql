-- A log as version 2 wrote it (the tables before entries had sums), invented. From `iterdump` of SQLite.
BEGIN TRANSACTION;
CREATE TABLE codes (
	listener_id INTEGER NOT NULL, 
	code INTEGER NOT NULL, 
	round_id INTEGER NOT NULL, 
	form_id INTEGER NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (listener_id, code), 
	FOREIGN KEY(listener_id) REFERENCES listeners (id), 
	FOREIGN KEY(round_id) REFERENCES rounds (id), 
	FOREIGN KEY(form_id) REFERENCES forms (id)
);
INSERT INTO "codes" VALUES(1,702,1,1,'2026-03-02T18:04:30.000000Z','2026-03-02');
INSERT INTO "codes" VALUES(1,287,1,2,'2026-03-02T18:07:00.000000Z','2026-03-02');
CREATE TABLE comments (
	id INTEGER NOT NULL, 
	listen_id INTEGER NOT NULL, 
	time_s FLOAT, 
	text TEXT NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(listen_id) REFERENCES listens (id)
);
INSERT INTO "comments" VALUES(1,1,1.5,'café ☕','2026-03-02T18:06:30.000000Z','2026-03-02');
INSERT INTO "comments" VALUES(2,2,1.5,'café ☕','2026-03-02T18:09:00.000000Z','2026-03-02');
CREATE TABLE events (
	id INTEGER NOT NULL, 
	kind VARCHAR(40) NOT NULL, 
	detail TEXT NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (id)
);
CREATE TABLE forms (
	id INTEGER NOT NULL, 
	content_hash VARCHAR(64) NOT NULL, 
	name TEXT NOT NULL, 
	replaces TEXT, 
	description TEXT NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (content_hash)
);
INSERT INTO "forms" VALUES(1,'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa','as written',NULL,'{}','2026-03-02T18:01:30.000000Z','2026-03-02');
INSERT INTO "forms" VALUES(2,'bbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbbb','early bridge',NULL,'{"parts": [], "seconds": 4.0}','2026-03-02T18:02:00.000000Z','2026-03-02');
CREATE TABLE link_ends (
	link_id INTEGER NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (link_id), 
	FOREIGN KEY(link_id) REFERENCES links (id)
);
CREATE TABLE links (
	id INTEGER NOT NULL, 
	listener_id INTEGER NOT NULL, 
	token_sha256 VARCHAR(64) NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(listener_id) REFERENCES listeners (id), 
	UNIQUE (token_sha256)
);
CREATE TABLE listen_ends (
	listen_id INTEGER NOT NULL, 
	frames_delivered INTEGER NOT NULL, 
	void_reason TEXT, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (listen_id), 
	FOREIGN KEY(listen_id) REFERENCES listens (id)
);
INSERT INTO "listen_ends" VALUES(1,1000,NULL,'2026-03-02T18:05:30.000000Z','2026-03-02');
INSERT INTO "listen_ends" VALUES(2,1000,NULL,'2026-03-02T18:08:00.000000Z','2026-03-02');
CREATE TABLE listeners (
	id INTEGER NOT NULL, 
	name VARCHAR(80) NOT NULL, 
	simulated INTEGER NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (name)
);
INSERT INTO "listeners" VALUES(1,'ana',0,'2026-03-02T18:03:00.000000Z','2026-03-02');
CREATE TABLE listens (
	id INTEGER NOT NULL, 
	round_id INTEGER NOT NULL, 
	sitting_id INTEGER NOT NULL, 
	form_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	code INTEGER NOT NULL, 
	frames INTEGER NOT NULL, 
	after_opening INTEGER NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(round_id) REFERENCES rounds (id), 
	FOREIGN KEY(sitting_id) REFERENCES sittings (id), 
	FOREIGN KEY(form_id) REFERENCES forms (id)
);
INSERT INTO "listens" VALUES(1,1,1,1,1,702,1000,0,'2026-03-02T18:05:00.000000Z','2026-03-02');
INSERT INTO "listens" VALUES(2,1,1,2,2,287,1000,0,'2026-03-02T18:07:30.000000Z','2026-03-02');
CREATE TABLE ratings (
	id INTEGER NOT NULL, 
	listen_id INTEGER NOT NULL, 
	aspect VARCHAR(20) NOT NULL, 
	value FLOAT NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (id), 
	CHECK (value >= 0 AND value <= 100), 
	FOREIGN KEY(listen_id) REFERENCES listens (id)
);
INSERT INTO "ratings" VALUES(1,1,'overall',61.0,'2026-03-02T18:06:00.000000Z','2026-03-02');
INSERT INTO "ratings" VALUES(2,2,'overall',62.0,'2026-03-02T18:08:30.000000Z','2026-03-02');
INSERT INTO "ratings" VALUES(3,1,'overall',64.0,'2026-03-02T18:09:30.000000Z','2026-03-02');
INSERT INTO "ratings" VALUES(4,2,'flow',30.0,'2026-03-02T18:10:30.000000Z','2026-03-02');
CREATE TABLE round_ends (
	round_id INTEGER NOT NULL, 
	complete INTEGER NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (round_id), 
	FOREIGN KEY(round_id) REFERENCES rounds (id)
);
INSERT INTO "round_ends" VALUES(1,1,'2026-03-02T18:11:00.000000Z','2026-03-02');
CREATE TABLE rounds (
	id INTEGER NOT NULL, 
	listener_id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	order_json TEXT NOT NULL, 
	render_set VARCHAR(64) NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (listener_id, number), 
	FOREIGN KEY(listener_id) REFERENCES listeners (id)
);
INSERT INTO "rounds" VALUES(1,1,1,'[1, 2]','0123456789abcdef','2026-03-02T18:03:30.000000Z','2026-03-02');
INSERT INTO "rounds" VALUES(2,1,2,'[1, 2]','0123456789abcdef','2026-03-02T18:11:30.000000Z','2026-03-02');
CREATE TABLE schema_versions (
	version INTEGER NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (version)
);
INSERT INTO "schema_versions" VALUES(1,'2026-03-02T18:00:30.000000Z','2026-03-02');
INSERT INTO "schema_versions" VALUES(2,'2026-03-02T18:01:00.000000Z','2026-03-02');
CREATE TABLE secrets (
	name VARCHAR(40) NOT NULL, 
	value TEXT NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (name)
);
INSERT INTO "secrets" VALUES('plan_seed','3b78003bf058717c7c0dbd99c7c7fd24296ee51c12191031916404c83f82b981','2026-03-02T18:02:30.000000Z','2026-03-02');
CREATE TABLE sittings (
	id INTEGER NOT NULL, 
	listener_id INTEGER NOT NULL, 
	heard_on TEXT NOT NULL, 
	means VARCHAR(20) NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(listener_id) REFERENCES listeners (id)
);
INSERT INTO "sittings" VALUES(1,1,'headphones','device','2026-03-02T18:04:00.000000Z','2026-03-02');
CREATE TABLE submissions (
	listener_id INTEGER NOT NULL, 
	submission VARCHAR(100) NOT NULL, 
	at_utc VARCHAR(27) NOT NULL, 
	local_date VARCHAR(10) NOT NULL, 
	PRIMARY KEY (listener_id, submission), 
	FOREIGN KEY(listener_id) REFERENCES listeners (id)
);
INSERT INTO "submissions" VALUES(1,'page 1','2026-03-02T18:10:00.000000Z','2026-03-02');
COMMIT;
