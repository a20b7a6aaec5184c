"""Says whether a JUnit document is valid by an XML schema: junit_valid.py XSD FILE. For core/tests/formats.rs."""

import sys

import xmlschema

schema = xmlschema.XMLSchema(sys.argv[1])
errors = list(schema.iter_errors(sys.argv[2]))
for error in errors:
    print(error)
sys.exit(1 if errors else 0)
