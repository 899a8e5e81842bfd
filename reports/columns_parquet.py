"""Table → Parquet: types kept, units and meanings in the metadata of each column's field.

Words are dictionary-encoded, times are microseconds in UTC, what is missing is null. Source: Apache Parquet format, and
the Arrow schema that readers of the Arrow family find in it (from memory, not seen).
"""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING

from reports.errors import LibraryMissing

if TYPE_CHECKING:
    from collections.abc import Mapping

    from reports.tables import Table


def table_parquet(table: Table, facts: Mapping[str, str]) -> bytes:
    """The file's bytes: the same for the same table, facts and version of pyarrow.

    Args:
        table: What to write.
        facts: What belongs to the whole file, such as run and unit; becomes metadata of the schema.

    Raises:
        LibraryMissing: pyarrow is not installed.
    """
    try:
        import pyarrow
        from pyarrow import parquet
    except ModuleNotFoundError as error:
        raise LibraryMissing("Parquet files", "pyarrow", "parquet") from error
    plain = pyarrow.Table.from_pandas(table.frame, preserve_index=False)
    fields = []
    for field, column in zip(plain.schema, table.columns, strict=True):
        words = {"meaning": column.meaning, "unit": column.unit, "missing": column.missing, "source": column.source}
        # An all-empty column of texts has no type of its own.
        kind = pyarrow.string() if pyarrow.types.is_null(field.type) else field.type
        fields.append(field.with_type(kind).with_metadata(words))
    of_pandas = plain.schema.metadata or {}
    schema = pyarrow.schema(fields, metadata={**of_pandas, **{key: value.encode() for key, value in facts.items()}})
    written = BytesIO()
    parquet.write_table(plain.cast(schema), written, compression="zstd")
    return written.getvalue()
