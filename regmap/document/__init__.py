"""YAML read safely, with every problem located.

In and out: text of a document -> nodes with places; values by shape; a JSON Schema of the shapes.
May import: errors, quantity, expr.
"""
