BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'collector','m0001_first_light','2026-11-29 01:30:49.200047+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'collector','m0002_nothing_lost','2026-11-29 01:30:49.202377+00:00');
INSERT INTO "_sqlite_migrations" VALUES(3,'collector','m0003_record','2026-11-29 01:30:49.211603+00:00');
INSERT INTO "_sqlite_migrations" VALUES(4,'collector','m0004_course','2026-11-29 01:30:49.215308+00:00');
CREATE TABLE basin (
        id INTEGER PRIMARY KEY, node TEXT NOT NULL, name TEXT NOT NULL, label TEXT NOT NULL, place TEXT NOT NULL,
        UNIQUE (node, name)) STRICT;
INSERT INTO "basin" VALUES(1,'n1','b1','Basin 1','');
CREATE TABLE batch (
        id INTEGER PRIMARY KEY, stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL,
        last INTEGER NOT NULL, body BLOB NOT NULL) STRICT;
INSERT INTO "batch" VALUES(1,1,724,725,X'92919400CE000C38E8CF0000019CAD9BE4E8C39284A26D73CE000C36F4A3776879A47469636BA36C6964A46F70656EA26D6381AF32382D303030303030303030303061CD520884A26D73CE000C38E8A3776879A47469636BA36C6964A6636C6F736564A26D6381AF32382D303030303030303030303061CD5208');
CREATE TABLE boot (
        node TEXT NOT NULL, boot TEXT NOT NULL, heard_ms INTEGER, synced_ms INTEGER, synced_utc_ms INTEGER,
        PRIMARY KEY (node, boot)) STRICT, WITHOUT ROWID;
INSERT INTO "boot" VALUES('n1','9f6c0000-0000-4000-8000-000000000001',722000,299000,1772438699000);
CREATE TABLE closure (
        id INTEGER PRIMARY KEY, basin_id INTEGER NOT NULL REFERENCES basin,
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        closing_utc_ms INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL,
        clock_synced INTEGER NOT NULL, verdict TEXT NOT NULL, assessed_ms INTEGER NOT NULL, superseded_by INTEGER REFERENCES closure, dated_back_ms INTEGER, number INTEGER NOT NULL DEFAULT 0) STRICT;
INSERT INTO "closure" VALUES(1,1,1,2,300,1772438401000,1772438699000,1,'unproven',1772434800000,3,NULL,8);
INSERT INTO "closure" VALUES(2,1,1,401,722,1772438800000,1772439121000,1,'unproven',1772434800000,3,NULL,9);
INSERT INTO "closure" VALUES(3,1,1,2,722,1772438401000,1772439121000,1,'met',1772434800000,NULL,NULL,13);
CREATE TABLE credential (
        person TEXT NOT NULL, kind TEXT NOT NULL, hash TEXT NOT NULL, set_ms INTEGER NOT NULL,
        temporary INTEGER NOT NULL DEFAULT 0, failures INTEGER NOT NULL DEFAULT 0, failed_ms INTEGER,
        PRIMARY KEY (person, kind)) STRICT, WITHOUT ROWID;
CREATE TABLE ledger (
        number INTEGER PRIMARY KEY, kind TEXT NOT NULL, at_ms INTEGER NOT NULL, who TEXT NOT NULL,
        software TEXT NOT NULL, body TEXT NOT NULL, reason TEXT NOT NULL, hash TEXT NOT NULL,
        format INTEGER NOT NULL) STRICT;
INSERT INTO "ledger" VALUES(1,'site-named',1772434800000,'collector','soakledger 0.1.0','{"name":"Clinic at the Mill"}','','80d36a59e744c6238cd233a58efd3c81ad00355ce6cc019cd13853b0c20b72a5',1);
INSERT INTO "ledger" VALUES(2,'basin',1772434800000,'collector','soakledger 0.1.0','{"basin":"n1/b1","label":"Basin 1"}','','32942f2c1c29b07ed97a2e6bd4f60372d4debaecb1b89e9258077c31ca69fb24',1);
INSERT INTO "ledger" VALUES(3,'requirement',1772434800000,'collector','soakledger 0.1.0','{"basin":"n1/b1","requirement":{"contact_ms":720000,"max_gap_ms":5000,"min_mc":20000},"sensors":{"28-00000000000a":{"correction_mc":0,"u_mc":500}},"since_ms":1772434800000}','','4de088d7cc56676d1937959f5fec9467dec897eb344cf6bdc84b5810c537a4a1',1);
INSERT INTO "ledger" VALUES(4,'stream',1772434800000,'collector','soakledger 0.1.0','{"basin":"n1/b1","boot":"9f6c0000-0000-4000-8000-000000000001","stream":"00000000000000000000000000000001"}','','52ae0bd8e2a060cfa9cedb96f97b1d303fe8adb185007a6eda5cd93e85ac52bd',1);
INSERT INTO "ledger" VALUES(5,'clock-synchronised',1772434800000,'collector','soakledger 0.1.0','{"boot":"9f6c0000-0000-4000-8000-000000000001","ms":299000,"node":"n1","utc_ms":1772438699000}','','7a55e56026ab83b3e48cdf38586707ccd9da660cf36142135495722b15790e42',1);
INSERT INTO "ledger" VALUES(6,'lost',1772434800000,'collector','soakledger 0.1.0','{"first":301,"last":400,"noticed_ms":1772434800000,"stream":"00000000000000000000000000000001"}','','70665f6f7374b7c112c5184a0087b09d0b374f04848c0a44b8df29900af90550',1);
INSERT INTO "ledger" VALUES(7,'page',1772434800000,'collector','soakledger 0.1.0','{"first":1,"kept_crc32":2887888472,"last":300,"sha256":"203c3e77b474855f37a0def608ba9920f21a2d78f0e2252c0b955f874c2d4a6e","stream":"00000000000000000000000000000001"}','','0bc5188b572a725de7b9bb81ba350a112735217d76f8a8f4a5fbc994823cdf0f',1);
INSERT INTO "ledger" VALUES(8,'closure',1772434800000,'collector','soakledger 0.1.0','{"clock_synced":true,"closing_utc_ms":1772438401000,"closure":{"closing_edge":"seen","closing_ms":1000,"coldest_mc":21000,"credited_ms":298000,"findings":[{"at_ms":299000,"code":"readings-missing","numbers":{"lost":100},"text":"100 readings are missing at its end: what the lid did there was not seen."}],"first":2,"hottest_mc":21000,"known":299,"last":300,"last_ms":299000,"lost_after":100,"not_out_ms":298000,"not_out_unlimited":true,"opening_edge":"lost","readings":299,"requirement":{"contact_ms":720000,"max_gap_ms":5000,"min_mc":20000},"sensor_allowances_mc":{"28-00000000000a":null},"verdict":"unproven"},"stream":"00000000000000000000000000000001"}','','2964764a587e6df8bc48f235a52af6e18c65463cf2c9eea997057f30b3c3aa2d',1);
INSERT INTO "ledger" VALUES(9,'closure',1772434800000,'collector','soakledger 0.1.0','{"clock_synced":true,"closing_utc_ms":1772438800000,"closure":{"closing_edge":"lost","closing_ms":400000,"coldest_mc":21000,"credited_ms":321000,"findings":[{"at_ms":400000,"code":"closing-not-seen","numbers":{"lost":100},"text":"100 readings are missing just before it: the lid may have been open."},{"at_ms":400000,"code":"readings-missing","numbers":{"lost":100},"text":"100 readings are missing just before it: what the lid did there was not seen."}],"first":401,"hottest_mc":21000,"known":322,"last":722,"last_ms":721000,"lost_before":100,"not_out_ms":321000,"not_out_unlimited":true,"opening_edge":"seen","opening_ms":721500,"readings":322,"requirement":{"contact_ms":720000,"max_gap_ms":5000,"min_mc":20000},"sensor_allowances_mc":{"28-00000000000a":null},"verdict":"unproven"},"stream":"00000000000000000000000000000001"}','','4e0ed5e6f866889340f4a431d05a24ae05a82e5ddf77aa0b84baf30e1a3ca83f',1);
INSERT INTO "ledger" VALUES(10,'page',1772434800000,'collector','soakledger 0.1.0','{"first":401,"kept_crc32":45412049,"last":723,"sha256":"c94242eee0f6bf7b8e9709f151230df070f439b6e35f10a204b43d3b97b205e2","stream":"00000000000000000000000000000001"}','','2f93d390b6b7119a65e4435843d90a235704b5172929849dab95ac274f28281e',1);
INSERT INTO "ledger" VALUES(11,'found',1772434800000,'collector','soakledger 0.1.0','{"first":301,"found_ms":1772434800000,"last":400,"stream":"00000000000000000000000000000001"}','','a095f8b875aed4e91a62a560789b70ca4c03c8859ffd0f503c8e11e3c3c6a36d',1);
INSERT INTO "ledger" VALUES(12,'page',1772434800000,'collector','soakledger 0.1.0','{"first":301,"kept_crc32":3931855170,"last":400,"sha256":"1f1a13626577908c757d032a09b9bf6d2d779d715851fabee2f6498b66485f0f","stream":"00000000000000000000000000000001"}','','537126011b75f5f1269fcd5b4dffa5eaa8d7be4e6620d93d7b35dc8972aff920',1);
INSERT INTO "ledger" VALUES(13,'closure',1772434800000,'collector','soakledger 0.1.0','{"clock_synced":true,"closing_utc_ms":1772438401000,"closure":{"allowance_mc":500,"closing_edge":"seen","closing_ms":1000,"coldest_mc":21000,"credited_ms":720000,"first":2,"hottest_mc":21000,"known":721,"last":722,"last_ms":721000,"met_without_u":true,"not_out_ms":720000,"opening_edge":"seen","opening_ms":721500,"readings":721,"requirement":{"contact_ms":720000,"max_gap_ms":5000,"min_mc":20000},"sensor_allowances_mc":{"28-00000000000a":500},"verdict":"met"},"stream":"00000000000000000000000000000001","supersedes":[8,9]}','','07a5720e1877246c831ab5f12a887f52cd6ea2e2e6d5e2d1e9da6cae26d8692c',1);
CREATE TABLE lost (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        noticed_ms INTEGER NOT NULL, found_ms INTEGER, PRIMARY KEY (stream_id, first)) STRICT, WITHOUT ROWID;
INSERT INTO "lost" VALUES(1,301,400,1772434800000,1772434800000);
CREATE TABLE node (
        node TEXT PRIMARY KEY, heard_ms INTEGER NOT NULL, up INTEGER NOT NULL, body TEXT NOT NULL)
        STRICT, WITHOUT ROWID;
INSERT INTO "node" VALUES('n1',1772434800000,1,'{"up":true,"version":"0.1.0","boot":"9f6c0000-0000-4000-8000-000000000001","clock":{"ms":722000,"utc":"2026-03-02T08:12:02.000Z","synced":true},"streams":[{"stream":"00000000000000000000000000000001","basin":"b1","oldest":401,"newest":723,"boot":null}],"sensors":[],"outbox":0,"dropped":0,"refused":{},"troubles":[],"basins":[]}');
CREATE TABLE now (basin_id INTEGER PRIMARY KEY, at_utc_ms INTEGER NOT NULL, body TEXT NOT NULL) STRICT;
INSERT INTO "now" VALUES(1,1772439201000,'{"at_utc_ms":1772439201000,"synced":true,"stream":"00000000000000000000000000000001","number":725,"ms":801000,"lid":"closed","mc":{"28-00000000000a":21000},"fault":{},"closure":{"first":725,"last":725,"closing_ms":801000,"last_ms":801000,"closing_edge":"seen","opening_edge":"running","requirement":{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000},"verdict":"running","credited_ms":0,"not_out_ms":0,"sensor_allowances_mc":{"28-00000000000a":null},"coldest_mc":21000,"hottest_mc":21000,"readings":1,"known":1},"judged_to":725}');
CREATE TABLE once (
        who TEXT NOT NULL, key TEXT NOT NULL, number INTEGER NOT NULL, kind TEXT NOT NULL, id TEXT NOT NULL,
        PRIMARY KEY (who, key)) STRICT, WITHOUT ROWID;
CREATE TABLE page (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        sha256 TEXT NOT NULL, body BLOB NOT NULL, PRIMARY KEY (stream_id, first)) STRICT;
INSERT INTO "page" VALUES(1,1,300,'203c3e77b474855f37a0def608ba9920f21a2d78f0e2252c0b955f874c2d4a6e',X'78DAED93418BC2301484FFCB9C5FE535B562F33B3C197288358BC5D44A92BA2CD2FFBE2F7B112FB278764E434266E00B73873B247FC9D0F785D087A93F431BC3A4BA8E99098AD5A6E2A662B5E3ADE6B56EBB955CEC4139CEDE5AC2979B83BC37C50E3189ADC54D7174621B42188E2512D3D55F40B525537A923FA2949484B1977AA86DC50FB972147CCE3E2668B88FFE2D106E2ECC5EB819550B4BBBC8DF8EE999E8E103EA2DA2552BB3680B5442CAD1BB5160F26BD512F07DFAF99B411E6462D448805D7E01A5813459');
INSERT INTO "page" VALUES(1,401,723,'c94242eee0f6bf7b8e9709f151230df070f439b6e35f10a204b43d3b97b205e2',X'78DAED93CD0EC2201084DF65CF5BB36CEB4F780E4F120E583136526B806A8CE9BBBB9818E3C58B57E73440986C06BE3BB86DF2A70CFA3E21B461688FA08D215CB29A132130F1A2A2BA225ED34A2BD6A46672B001CC71F4D622ECDD18E4BE29B68B496C434AFC107B278B1A2174BB125AE293DF01D6CC160D0C677F025425A36F6500E055456FB9B2157CCE3E26D0E0FEFA5580707161F452A7612515DB491EBD4F9F45B7DBBF7ED347D155C188B079FE692B7DA71CBDEBA568FA2E2529D7C3ED494EEE84CB173705A782CDF40077A14AFF');
INSERT INTO "page" VALUES(1,301,400,'1f1a13626577908c757d032a09b9bf6d2d779d715851fabee2f6498b66485f0f',X'78DABD51310EC2300CFC8B6717B98954B57907135186B40DA22201294941A8EADF71CA8058187BD3D996CFA7F302B64FEE96412D2BC2E0EFC31594D684B2EB88084190682A92158923B58A1A25BB030F4E8039CECE1884B39D3DEFEB42A798984AAA99DF63B0A540F0D358448B7C7223604D5416C3C05741B4157D614BCBBB9C5D4CA0C0EE004078583F3BBEA7055B23B3721421FD3AE97776C21FD80231EC25E5E86C6013F41F350B3C2FAF2DEB3CF1273F49AF6FF57A99CE');
CREATE TABLE page_course (
        stream_id INTEGER NOT NULL, first INTEGER NOT NULL, body BLOB NOT NULL,
        PRIMARY KEY (stream_id, first)) STRICT, WITHOUT ROWID;
INSERT INTO "page_course" VALUES(1,1,X'9391009200CD01F481AF32382D3030303030303030303030619791CD5208910091CD012C909191CD012C9090');
INSERT INTO "page_course" VALUES(1,301,X'9391009081AF32382D3030303030303030303030619791CD520891009164909191649090');
INSERT INTO "page_course" VALUES(1,401,X'93910092CE0004E7DC0081AF32382D3030303030303030303030619791CD5208910091CD0143909191CD01439090');
CREATE TABLE page_index (
        stream_id INTEGER NOT NULL, first INTEGER NOT NULL, first_utc_ms INTEGER NOT NULL,
        last_utc_ms INTEGER NOT NULL, undated INTEGER NOT NULL, minutes BLOB NOT NULL,
        PRIMARY KEY (stream_id, first)) STRICT;
INSERT INTO "page_index" VALUES(1,1,1772438400500,1772438699000,0,X'78DA6B5C6F64A16B800089D3A79E633C7450811108A69E0DE2600082A90C48A40D0840D98C201200282A0DAD');
INSERT INTO "page_index" VALUES(1,401,1772438800000,1772439121500,0,X'78DA6B5C6F64A16B800089D3A79F633C74508D110CA69F0DE2600083E90C68B4880D0830A389330200C7CE0DDA');
INSERT INTO "page_index" VALUES(1,301,1772438700000,1772438799000,0,X'78DA6B5C6F64A16B800089D3279D633C74509571D2D9200E86490C6064A3016100003A3B0CD1');
CREATE TABLE parked (
        id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL, detail TEXT NOT NULL,
        bytes INTEGER NOT NULL, start BLOB NOT NULL, times INTEGER NOT NULL, first_ms INTEGER NOT NULL,
        last_ms INTEGER NOT NULL, UNIQUE (sha256, topic)) STRICT;
INSERT INTO "parked" VALUES(1,'999aaa8645bb72ff599e143b1e3d2a94777127f4783a69f067251f7bbebc5ab6','soakledger/1/n1/readings','not-json','JSON is malformed: invalid character (byte 4)',8,X'6E6F6E73656E7365',1,1772434800000,1772434800000);
CREATE TABLE parked_count (reason TEXT PRIMARY KEY, times INTEGER NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO "parked_count" VALUES('not-json',1);
CREATE TABLE requirement (
        id INTEGER PRIMARY KEY, basin_id INTEGER NOT NULL REFERENCES basin, since_ms INTEGER NOT NULL,
        requirement TEXT, sensors TEXT NOT NULL) STRICT;
INSERT INTO "requirement" VALUES(1,1,1772434800000,'{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000}','{"28-00000000000a":{"u_mc":500,"correction_mc":0}}');
CREATE TABLE session (
        token_sha256 TEXT PRIMARY KEY, person TEXT NOT NULL, began_ms INTEGER NOT NULL, seen_ms INTEGER NOT NULL,
        idle_ms INTEGER NOT NULL, proven_ms INTEGER) STRICT, WITHOUT ROWID;
CREATE TABLE site (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO "site" VALUES('epoch','93b9e58c029f0d1b');
INSERT INTO "site" VALUES('ledger','ab77de766bb3260ea5af0f18d0f4681f');
INSERT INTO "site" VALUES('name','Clinic at the Mill');
CREATE TABLE stream (
        id INTEGER PRIMARY KEY, stream TEXT NOT NULL UNIQUE, basin_id INTEGER NOT NULL REFERENCES basin,
        boot TEXT NOT NULL, first_heard_ms INTEGER NOT NULL, stored INTEGER NOT NULL DEFAULT 0,
        over INTEGER NOT NULL DEFAULT 0, resume INTEGER NOT NULL DEFAULT 0) STRICT;
INSERT INTO "stream" VALUES(1,'00000000000000000000000000000001',1,'9f6c0000-0000-4000-8000-000000000001',1772434800000,725,0,724);
CREATE TABLE thing (
        kind TEXT NOT NULL, id TEXT NOT NULL, grp TEXT NOT NULL, at_ms INTEGER NOT NULL, open INTEGER NOT NULL,
        number INTEGER NOT NULL, body TEXT NOT NULL, PRIMARY KEY (kind, id)) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX requirement_by_basin ON requirement (basin_id, since_ms);
CREATE INDEX stream_by_basin ON stream (basin_id);
CREATE INDEX closure_by_basin ON closure (basin_id, closing_utc_ms);
CREATE INDEX closure_by_time ON closure (closing_utc_ms);
CREATE INDEX closure_by_stream ON closure (stream_id, first);
CREATE INDEX batch_by_stream ON batch (stream_id, last);
CREATE INDEX ledger_by_kind ON ledger (kind, number);
CREATE INDEX ledger_said ON ledger (number) WHERE who <> 'collector';
CREATE TRIGGER ledger_update BEFORE UPDATE ON ledger
        BEGIN SELECT RAISE(ABORT, 'The ledger is append-only: a mistake is corrected by a later record that names the earlier one.'); END;
CREATE TRIGGER ledger_delete BEFORE DELETE ON ledger
        BEGIN SELECT RAISE(ABORT, 'The ledger is append-only: a mistake is corrected by a later record that names the earlier one.'); END;
CREATE TRIGGER ledger_insert BEFORE INSERT ON ledger
        WHEN NEW.number IS NOT (SELECT ifnull(max(number), 0) + 1 FROM ledger)
        BEGIN SELECT RAISE(ABORT, 'Records of the ledger follow on without a gap.'); END;
CREATE INDEX page_index_by_time ON page_index (stream_id, last_utc_ms, first_utc_ms);
CREATE TRIGGER page_update BEFORE UPDATE ON page
        BEGIN SELECT RAISE(ABORT, 'The table of pages is append-only: a mistake is corrected by a later record that names the earlier one.'); END;
CREATE TRIGGER page_delete BEFORE DELETE ON page
        BEGIN SELECT RAISE(ABORT, 'The table of pages is append-only: a mistake is corrected by a later record that names the earlier one.'); END;
CREATE TRIGGER page_insert BEFORE INSERT ON page
        WHEN EXISTS (SELECT 1 FROM page WHERE stream_id = NEW.stream_id AND first = NEW.first)
        BEGIN SELECT RAISE(ABORT, 'There is a page of these readings already.'); END;
CREATE INDEX thing_by_group ON thing (kind, grp, at_ms);
CREATE INDEX thing_by_time ON thing (kind, open, at_ms);
CREATE INDEX credential_by_hash ON credential (kind, hash);
CREATE INDEX session_by_person ON session (person);
CREATE VIEW judged AS SELECT c.*, json_extract(l.body, '$.closure') AS body
       FROM closure c JOIN ledger l ON l.number = c.number;
COMMIT;
