// Writes the Parquet files of this folder: npm install @duckdb/node-api, then node make_duckdb.mjs FOLDER.
import { DuckDBInstance } from '@duckdb/node-api';
const dir = process.argv[2];
const db = await (await DuckDBInstance.create(':memory:')).connect();
await db.run(`create table lap as select
  i / 200.0 ::double as "TIME",
  (sin(i / 3.0) * 5)::float as "AZ",
  (cos(i / 7.0) * 3)::double as "AX",
  ((i * 37) % 4096 - 2048)::smallint as "RAW16",
  (i * 100003 % 1000000)::integer as "RAW32",
  (i * 1000003)::bigint as "RAW64",
  ((i * 7) % 256)::utinyint as "RAW8",
  case when i % 10 = 3 then null else (i % 5)::double end as "SLOW",
  (i % 3)::double as "FEW",
  'lap ' || (i // 500) as "LAP"
  from range(2100) t(i)`);
for (const codec of ['uncompressed', 'snappy', 'gzip', 'zstd', 'lz4_raw', 'brotli'])
  await db.run(`copy lap to '${dir}/${codec}.parquet' (format parquet, codec ${codec}, row_group_size 2048)`);
await db.run(`copy lap to '${dir}/v2.parquet' (format parquet, codec zstd, parquet_version v2)`);
const r = await db.runAndReadAll('select version()');
console.log('DuckDB', r.getRows()[0][0]);
