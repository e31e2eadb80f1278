"""Validates a findings document against the contract's JSON Schema; prints what is wrong with it."""

import json
import sys
from datetime import datetime
from pathlib import Path

from jsonschema import Draft202012Validator, FormatChecker

formats = FormatChecker()


@formats.checks("date-time", raises=ValueError)
def is_date_time(text):
    """RFC 3339 asks for an offset; null is left to the schema's types."""
    return not isinstance(text, str) or datetime.fromisoformat(text).utcoffset() is not None


schema = json.loads(Path(sys.argv[1]).read_text())
Draft202012Validator.check_schema(schema)
validator = Draft202012Validator(schema, format_checker=formats)
document = json.loads(Path(sys.argv[2]).read_text())
problems = [f"{error.json_path}: {error.message}" for error in validator.iter_errors(document)]
print("\n".join(problems))
sys.exit(1 if problems else 0)
