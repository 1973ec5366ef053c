"""Files of field notes: read and checked, found in their folders, written anew from captures."""
