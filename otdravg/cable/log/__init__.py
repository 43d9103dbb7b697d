"""What the crew wrote down of its splices, held against what was measured."""
