"""The reference: one text per topic, with tables of keys made from where the keys are declared."""
