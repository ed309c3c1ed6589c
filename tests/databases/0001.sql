BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'collector','m0001_first_light','2026-11-25 10:27:57.471298+00:00');
CREATE TABLE basin (
        id INTEGER PRIMARY KEY, node TEXT NOT NULL, name TEXT NOT NULL, label TEXT NOT NULL, place TEXT NOT NULL,
        UNIQUE (node, name)) STRICT;
INSERT INTO "basin" VALUES(1,'n1','b1','Basin 1','');
CREATE TABLE batch (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        body BLOB NOT NULL, PRIMARY KEY (stream_id, first)) STRICT, WITHOUT ROWID;
INSERT INTO "batch" VALUES(1,724,725,X'7B2273747265616D223A223030303030303030303030303030303030303030303030303030303030303031222C22626173696E223A226231222C22626F6F74223A2239663663303030302D303030302D343030302D383030302D303030303030303030303031222C226669727374223A3732342C22636C6F636B223A7B226D73223A3830313030302C22757463223A22323032362D30332D30325430383A31333A32312E3030305A222C2273796E636564223A747275657D2C2272656164696E6773223A5B7B226D73223A3830303530302C22776879223A227469636B222C226C6964223A226F70656E222C226D63223A7B2232382D303030303030303030303061223A32313030307D7D2C7B226D73223A3830313030302C22776879223A227469636B222C226C6964223A22636C6F736564222C226D63223A7B2232382D303030303030303030303061223A32313030307D7D5D7D');
CREATE TABLE closure (
        id INTEGER PRIMARY KEY, basin_id INTEGER NOT NULL REFERENCES basin,
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        closing_utc_ms INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL,
        clock_synced INTEGER NOT NULL, verdict TEXT NOT NULL, body TEXT NOT NULL,
        assessed_ms INTEGER NOT NULL, superseded_by INTEGER REFERENCES closure) STRICT;
INSERT INTO "closure" VALUES(1,1,1,2,300,1772438401000,1772438699000,1,'unproven','{"first":2,"last":300,"closing_ms":1000,"last_ms":299000,"opening_ms":null,"closing_edge":"seen","opening_edge":"lost","lost_before":0,"lost_after":100,"requirement":{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000},"verdict":"unproven","credited_ms":298000,"not_out_ms":298000,"not_out_unlimited":true,"allowance_mc":null,"sensor_allowances_mc":{"28-00000000000a":null},"coldest_mc":21000,"hottest_mc":21000,"readings":299,"known":299,"unknown_ms":0,"out_ms":0,"out_first_ms":null,"unknown_first_ms":null,"faults":{},"met_without_u":false,"findings":[{"code":"readings-missing","text":"100 readings are missing at its end: what the lid did there was not seen.","at_ms":299000,"numbers":{"lost":100}}]}',1772434800000,3);
INSERT INTO "closure" VALUES(2,1,1,401,722,1772438800000,1772439121000,1,'unproven','{"first":401,"last":722,"closing_ms":400000,"last_ms":721000,"opening_ms":721500,"closing_edge":"lost","opening_edge":"seen","lost_before":100,"lost_after":0,"requirement":{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000},"verdict":"unproven","credited_ms":321000,"not_out_ms":321000,"not_out_unlimited":true,"allowance_mc":null,"sensor_allowances_mc":{"28-00000000000a":null},"coldest_mc":21000,"hottest_mc":21000,"readings":322,"known":322,"unknown_ms":0,"out_ms":0,"out_first_ms":null,"unknown_first_ms":null,"faults":{},"met_without_u":false,"findings":[{"code":"closing-not-seen","text":"100 readings are missing just before it: the lid may have been open.","at_ms":400000,"numbers":{"lost":100}},{"code":"readings-missing","text":"100 readings are missing just before it: what the lid did there was not seen.","at_ms":400000,"numbers":{"lost":100}}]}',1772434800000,3);
INSERT INTO "closure" VALUES(3,1,1,2,722,1772438401000,1772439121000,1,'met','{"first":2,"last":722,"closing_ms":1000,"last_ms":721000,"opening_ms":721500,"closing_edge":"seen","opening_edge":"seen","lost_before":0,"lost_after":0,"requirement":{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000},"verdict":"met","credited_ms":720000,"not_out_ms":720000,"not_out_unlimited":false,"allowance_mc":500,"sensor_allowances_mc":{"28-00000000000a":500},"coldest_mc":21000,"hottest_mc":21000,"readings":721,"known":721,"unknown_ms":0,"out_ms":0,"out_first_ms":null,"unknown_first_ms":null,"faults":{},"met_without_u":true,"findings":[]}',1772434800000,NULL);
CREATE TABLE lost (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        noticed_ms INTEGER NOT NULL, found_ms INTEGER, PRIMARY KEY (stream_id, first)) STRICT, WITHOUT ROWID;
INSERT INTO "lost" VALUES(1,301,400,1772434800000,1772434800000);
CREATE TABLE minute (
        basin_id INTEGER NOT NULL, sensor_id INTEGER NOT NULL, minute INTEGER NOT NULL,
        lowest_mc INTEGER, highest_mc INTEGER, sum_mc INTEGER NOT NULL, known INTEGER NOT NULL,
        missing INTEGER NOT NULL, lid_open INTEGER NOT NULL,
        PRIMARY KEY (basin_id, sensor_id, minute)) STRICT, WITHOUT ROWID;
INSERT INTO "minute" VALUES(1,1,29540640,21000,21000,1260000,60,0,1);
INSERT INTO "minute" VALUES(1,1,29540641,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540642,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540643,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540644,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540645,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540646,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540647,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540648,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540649,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540650,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540651,21000,21000,1260000,60,0,0);
INSERT INTO "minute" VALUES(1,1,29540652,21000,21000,63000,3,0,1);
INSERT INTO "minute" VALUES(1,1,29540653,21000,21000,42000,2,0,1);
CREATE TABLE node (
        node TEXT PRIMARY KEY, heard_ms INTEGER NOT NULL, up INTEGER NOT NULL, body TEXT NOT NULL)
        STRICT, WITHOUT ROWID;
INSERT INTO "node" VALUES('n1',1772434800000,1,'{"up":true,"version":"0.1.0","boot":"9f6c0000-0000-4000-8000-000000000001","clock":{"ms":722000,"utc":"2026-03-02T08:12:02.000Z","synced":true},"streams":[{"stream":"00000000000000000000000000000001","basin":"b1","oldest":401,"newest":723}],"sensors":[],"outbox":0}');
CREATE TABLE now (basin_id INTEGER PRIMARY KEY, at_utc_ms INTEGER NOT NULL, body TEXT NOT NULL) STRICT;
INSERT INTO "now" VALUES(1,1772439201000,'{"at_utc_ms":1772439201000,"synced":true,"stream":"00000000000000000000000000000001","number":725,"ms":801000,"lid":"closed","mc":{"28-00000000000a":21000},"fault":{},"closure":{"first":725,"last":725,"closing_ms":801000,"last_ms":801000,"opening_ms":null,"closing_edge":"seen","opening_edge":"running","lost_before":0,"lost_after":0,"requirement":{"min_mc":20000,"contact_ms":720000,"max_gap_ms":5000},"verdict":"running","credited_ms":0,"not_out_ms":0,"not_out_unlimited":false,"allowance_mc":null,"sensor_allowances_mc":{"28-00000000000a":null},"coldest_mc":21000,"hottest_mc":21000,"readings":1,"known":1,"unknown_ms":0,"out_ms":0,"out_first_ms":null,"unknown_first_ms":null,"faults":{},"met_without_u":false,"findings":[]}}');
CREATE TABLE page (
        stream_id INTEGER NOT NULL REFERENCES stream, first INTEGER NOT NULL, last INTEGER NOT NULL,
        first_utc_ms INTEGER NOT NULL, last_utc_ms INTEGER NOT NULL, sha256 TEXT NOT NULL, body BLOB NOT NULL,
        PRIMARY KEY (stream_id, first)) STRICT;
INSERT INTO "page" VALUES(1,1,300,1772438400500,1772438699000,'8e552cb7a329bdea32097722587633fa963a8ba843f3005bf9cf4187fdf4aacb',X'789CED56310EC2300CFC8B67173929456DDEC1449521B44154342D4A5A2154F5EF3865606362418AAD9C4E8ACEF670C32D60CEC10E13A8654568FAB1B981AA6B425955448420491E32CA3392472A15ED5551EDF8E30438F9D96A8D703173CFFA3AD2CE07A682D9E89D79D3BE6BE34818EF7600141AEBB827D816E29238C135BC1E6499D1A70C6BA48827A44EFDF3D6EC7617D863053B2CBECD6A0912244890E0FF81734598BC350E14D0F71280F0B83EB79432759C803067BD5E5F3707C039');
INSERT INTO "page" VALUES(1,401,723,1772438800000,1772439121500,'2843e7723864ed6a9c0552d27cf14c3eb8c4775c2eebdfa4115a492a4cd64058',X'789CED96C10AC2300C86DF25E74CD26CEAE8737872F450B78AC3CDC9DA2132F6EEA603F1E6C18B9726F0F397929F1E52F866B027EF6E01F4BC20D4DD505F415715E19ED5960881897719E519F1814AAD5893DAC8C511308C933306E16CA74EE6AB68DBD18B2D48891FC6DECA416CD7363134C67BD700E6CC062B18EEEE06A862465FCB0380CB8C3E65658695184C9DFACF6DE477F45E36B258771355922449922449F2AB084709FBF8303ADB8306FA5E0A101E97E74A52A1154E7B7354C4AB8851CB0B3F1EE162');
INSERT INTO "page" VALUES(1,301,400,1772438700000,1772438799000,'54da808ee6b0b049fbcddef5f5fd20203541b803bac0449b2981f5c9a4d69069',X'789CED53CD0AC2300C7E979C33F9DAC2D8FA1C9E1C3BD4ADE27055583B44C6DEDD741EBCF9006A02E10BF92321DF42EE18FD35915D56A66EBC7517B24D0336750D80494397054C01BD4765515A53EF2470204ED3ECDB96E9E4E651EA9B0C87290A3450826F5370E2081C873E37CDEDA3EF8915900B432753495705DEE22451AB3CF92BB495A386283B996D3B567FF343467E3CA6C9BB4096F0591431DDCF8F8D26691012BE48B23E01D0A0BCF4');
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
CREATE TABLE sensor (id INTEGER PRIMARY KEY, sensor TEXT NOT NULL UNIQUE) STRICT;
INSERT INTO "sensor" VALUES(1,'28-00000000000a');
CREATE TABLE site (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO "site" VALUES('epoch','780f348c6faad327');
INSERT INTO "site" VALUES('name','Clinic at the Mill');
CREATE TABLE stream (
        id INTEGER PRIMARY KEY, stream TEXT NOT NULL UNIQUE, basin_id INTEGER NOT NULL REFERENCES basin,
        boot TEXT NOT NULL, first_heard_ms INTEGER NOT NULL, stored INTEGER NOT NULL DEFAULT 0,
        over INTEGER NOT NULL DEFAULT 0, resume INTEGER NOT NULL DEFAULT 0) STRICT;
INSERT INTO "stream" VALUES(1,'00000000000000000000000000000001',1,'9f6c0000-0000-4000-8000-000000000001',1772434800000,725,0,724);
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX requirement_by_basin ON requirement (basin_id, since_ms);
CREATE INDEX stream_by_basin ON stream (basin_id);
CREATE INDEX page_by_time ON page (stream_id, first_utc_ms);
CREATE INDEX closure_by_basin ON closure (basin_id, closing_utc_ms);
CREATE INDEX closure_by_time ON closure (closing_utc_ms);
CREATE INDEX closure_by_stream ON closure (stream_id, first);
COMMIT;
