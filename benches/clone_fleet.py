"""A large fleet from a small made one: every home again and again under new names, so that memory and speed can be measured.

    python benches/clone_fleet.py FLEET OUT COPIES home|day [FILES]

FLEET and OUT are folders with readings/ and register.csv. With `home` the rows of a home stay together (the copy stands before the name);
with `day` every row group holds all homes (the copy stands behind it). FILES: how many files, the first ones. Needs pyarrow; invented data.
"""

import csv
import pathlib
import sys

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq


def named(column, copy, layout):
    text = pc.cast(column, pa.string())
    tag = f"{copy:03}"
    parts = [pa.scalar(tag + "-"), text, pa.scalar("")] if layout == "home" else [text, pa.scalar("-" + tag), pa.scalar("")]
    return pc.binary_join_element_wise(*parts[:2], "")


def main():
    fleet, out, copies, layout = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]), int(sys.argv[3]), sys.argv[4]
    files = sorted((fleet / "readings").glob("*.parquet"))
    files = files[: int(sys.argv[5])] if len(sys.argv) > 5 else files
    (out / "readings").mkdir(parents=True, exist_ok=True)
    rows = 0
    for file in files:
        source = pq.ParquetFile(file)
        groups = [source.read_row_group(i) for i in range(source.num_row_groups)]
        at = groups[0].schema.get_field_index("home")
        field = pa.field("home", pa.string())
        schema = groups[0].schema.set(at, field).remove_metadata()
        with pq.ParquetWriter(out / "readings" / file.name, schema, compression="zstd", compression_level=1) as writer:
            for copy in range(copies):
                for group in groups:
                    new = group.set_column(at, field, named(group.column(at), copy, layout))
                    writer.write_table(new.replace_schema_metadata(None), row_group_size=1 << 20)
                    rows += new.num_rows
    with open(fleet / "register.csv", newline="") as source, open(out / "register.csv", "w", newline="") as target:
        reader = csv.reader(source)
        writer = csv.writer(target)
        head = next(reader)
        writer.writerow(head)
        at = head.index("home")
        lines = list(reader)
        for copy in range(copies):
            for line in lines:
                tag = f"{copy:03}"
                name = f"{tag}-{line[at]}" if layout == "home" else f"{line[at]}-{tag}"
                writer.writerow(line[:at] + [name] + line[at + 1 :])
    print(f"{out}: {copies * len(lines)} homes, {rows} rows, {len(files)} files")


main()
