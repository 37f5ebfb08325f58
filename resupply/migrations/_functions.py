"""Functions in the database for what every write of a patient asks: PL/pgSQL keeps their plans for the
connection. As queries they took PostgreSQL five times as long to plan as to answer.

`resupply_unused_yeses`: wanted items that no later answer replaced and no dispense used up, however old ("id
kind" each). A test holds it against `queries.answers.open_items`, which says the same in Django's words.

`resupply_rules_digest`: one number for what holds for every patient, made of where the rows stand and of the
transactions that wrote them (see `queries.plan_digests`).
"""

CREATE = (
    """
CREATE FUNCTION resupply_unused_yeses(of_patient bigint) RETURNS text[] LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN ARRAY(
        SELECT item.id || ' ' || item.kind
        FROM resupply_refillansweritem item JOIN resupply_refillanswer said ON said.id = item.answer_id
        WHERE said.patient_id = of_patient AND said.wish = 'yes' AND said.voided_at IS NULL AND item.wanted
            AND NOT EXISTS (
                SELECT FROM resupply_refillansweritem other
                JOIN resupply_refillanswer later ON later.id = other.answer_id
                WHERE later.patient_id = of_patient AND later.voided_at IS NULL AND other.kind = item.kind
                    AND (later.answered_at, later.id) > (said.answered_at, said.id))
            AND NOT EXISTS (
                SELECT FROM resupply_dispenseline line
                JOIN resupply_dispense given ON given.id = line.dispense_id
                WHERE given.patient_id = of_patient AND given.voided_at IS NULL AND line.voided_at IS NULL
                    AND (line.answer_item_id = item.id OR (line.kind = item.kind
                        AND line.exchange_of_id IS NULL AND given.dispensed_on >= said.contacted_on))));
END $$""",
    """
CREATE FUNCTION resupply_rules_digest() RETURNS bigint LANGUAGE plpgsql STABLE AS $$
BEGIN
    RETURN (SELECT coalesce(bit_xor(hashtidextended(place, (written::text::bigint << 8) + number)), 0) FROM (
        SELECT ctid AS place, xmin AS written, 0 AS number FROM resupply_lifeversion WHERE patient_id IS NULL
        UNION ALL SELECT ctid, xmin, 1 FROM resupply_allowanceversion
        UNION ALL SELECT ctid, xmin, 2 FROM resupply_refillruleversion
        UNION ALL SELECT ctid, xmin, 3 FROM resupply_clinictermsversion
        UNION ALL SELECT ctid, xmin, 4 FROM resupply_cleaningchoice
        UNION ALL SELECT ctid, xmin, 5 FROM resupply_payer
        UNION ALL SELECT ctid, xmin, 6 FROM resupply_planedition
        UNION ALL SELECT ctid, xmin, 7 FROM resupply_policydraft
            WHERE id IN (SELECT staged_id FROM resupply_planedition)) found);
END $$""",
)
DROP = (
    "DROP FUNCTION resupply_unused_yeses(bigint)",
    "DROP FUNCTION resupply_rules_digest()",
)
