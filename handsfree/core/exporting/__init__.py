"""What an exported log says: tables, their columns, blinding codes, captions and descriptions. Pure text and rows."""
