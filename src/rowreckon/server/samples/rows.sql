-- Rows of the sample database.  Nothing is random: `dice(i, salt)` scatters a row number evenly over [0, 1), the same
-- on every server and in every version.

-- name: dice
create function dice(i bigint, salt int) returns double precision language sql immutable parallel safe as
$$ select (((((i * 2654435761 + salt * 40503::bigint) # (i * 69069 + salt)) & 2147483647) * 2246822519) >> 9 & 1048575) / 1048576.0::double precision $$;

-- name: valleys and wardens
insert into valleys
select i, (array['Aschen','Birken','Dohlen','Eiben','Farn','Gletscher','Hasel','Kar','Lawinen','Moor'])[1 + i % 10] || (array['grund','tal','kessel','boden'])[1 + i / 10 % 4] || ' ' || i,
       (array['Aldria','Brunnia','Corvia','Dolmia','Estavia','Fernia','Gravia','Hallia'])[1 + i % 8]
from generate_series(1, 40) i;
insert into wardens
select i, 'Warden ' || i, date '2005-01-01' + (dice(i, 1) * 7000)::int from generate_series(1, 500) i;

-- name: huts and bunks
insert into huts
select i, (array['Adler','Dachs','Enzian','Falken','Gams','Hirsch','Krummholz','Luchs','Marder','Stein'])[1 + i % 10] || 'hütte ' || i,
       1 + i % 40, 1 + i % 500, 900 + (dice(i, 2) * 2600)::int, (array['bivouac','hut','hut','lodge'])[1 + i % 4]
from generate_series(1, 600) i;
insert into bunks
select h, 'H' || lpad(h::text, 3, '0') || '-' || lpad(b::text, 2, '0'), 1 + b / 8, b % 2 = 0
from generate_series(1, 600) h, generate_series(1, 40) b;

-- name: guests
-- The home city settles the region and the land; one city in sixteen guests; guest 1 is an agency that books a lot.
insert into guests
select i, 'Guest ' || i, 'guest' || i || '@mail' || i % 7 || '.example',
       (array['Aldria','Brunnia','Corvia','Dolmia','Estavia','Fernia','Gravia','Hallia'])[1 + city / 40],
       'Region ' || lpad((city / 5)::text, 2, '0'),
       (array['Birk','Eck','Fels','Grau','Hoch','Klamm','Moos','Silber','Stein','Wind'])[1 + city % 10]
         || (array['ach','berg','bruck','furt','heim','lach','moos','ried'])[1 + city / 10 % 8]
         || case when city >= 80 then ' ' || city / 80 else '' end,
       date '1940-01-01' + (dice(i, 4) * 25000)::int, i = 1 or i % 4000 = 0
from (select i, case when dice(i, 3) < 0.0625 then 27 else (dice(i, 5) * 320)::int % 320 end as city
      from generate_series(1, 80000) i) g;

-- name: channels
insert into channels
select c, k, 'Bookings that come by way of ' || c
from (values ('web', 0.02), ('phone', 0.00), ('office', 0.00), ('partner', 0.15), ('agency', 0.12), ('walk-in', 0.00)) v(c, k);

-- name: bookings
-- Every sixth booking is the agency's; a third came through partner P0001, a twelfth through P0002, the others
-- through some 100,000 partners that appear once or twice.
insert into bookings
select i, hut, 'H' || lpad(hut::text, 3, '0') || '-' || lpad((1 + (dice(i, 12) * 40)::int % 40)::text, 2, '0'),
       case when dice(i, 13) < 0.16 then 1 else 1 + (dice(i, 14) * 80000)::int % 80000 end,
       arrival - (3 + dice(i, 15) * 40)::int, arrival, 1 + i % 4,
       (array['web','web','web','web','phone','office','partner','agency','agency','walk-in'])[1 + i % 10],
       case when i % 5000 = 17 then 'disputed' when i % 40 = 3 then 'cancelled' when i % 50 = 7 then 'no show'
            when i % 100 = 9 then 'waiting' when i % 30 = 11 then 'open' when i % 400 = 13 then 'moved'
            when i % 1000 = 19 then 'held' else 'closed' end,
       case when dice(i, 16) < 0.33 then 'P0001' when dice(i, 16) < 0.415 then 'P0002' else 'Q' || (dice(i, 17) * 100000)::int end
from (select i, 1 + (dice(i, 10) * 600)::int % 600 as hut, date '2024-10-01' + (dice(i, 11) * 720)::int as arrival
      from generate_series(1, 250000) i) b;

-- name: payments
insert into payments
select i, i + i / 5, date '2024-11-01' + (dice(i, 20) * 720)::int, 20 + i % 180, (array['card','cash','transfer'])[1 + i % 3]
from generate_series(1, 200000) i;

-- name: complaints and lost property
insert into complaints
select i, 1 + (dice(i, 30) * 250000)::int % 250000, date '2024-10-15' + (dice(i, 31) * 700)::int,
       (array['noise','food','bunk','water','dog'])[1 + i % 5], repeat('It was not as promised. ', 2)
from generate_series(1, 100000) i;
insert into lost_property
select i, 1 + (dice(i, 32) * 80000)::int % 80000, 1 + i % 600, date '2025-01-01' + (dice(i, 33) * 600)::int,
       case when i % 10 < 6 then 'glove' else (array['boot','cap','map','rope'])[1 + i % 4] end,
       (array['red','grey','green','blue','black'])[1 + i % 5]
from generate_series(1, 40000) i;

-- name: notes about guests
insert into guest_notes
select i, 1 + (dice(i, 34) * 80000)::int % 80000, case when i % 9 = 0 then 'archive' else 'desk' end,
       case when i % 5 < 3 then 'allergy: nuts' when i % 5 = 3 then 'late arrival' else 'brings a dog' end || ' (' || i || ')'
from generate_series(1, 30000) i;

-- name: supply flights
insert into supply_flights
select i, 1 + i % 600, started, started + make_interval(mins => 12 + i % 50),
       jsonb_build_object('kind', case when i % 20 < 7 then 'fuel' when i % 20 < 15 then 'food' else 'linen' end, 'pilot', i % 37)
from (select i, timestamp '2024-10-01 06:00' + make_interval(mins => i * 26) as started from generate_series(1, 40000) i) f;
insert into flight_items
select i, 1 + i % 40000, 1 + (dice(i, 40) * 50000)::int % 50000, (array['gas','flour','sheets','rope','tea'])[1 + i % 5], 1 + i % 90
from generate_series(1, 200000) i;

-- name: sensors and the weather log
insert into sensors
select i, 1 + i % 600, 'W' || i % 12, date '2024-01-01' + (dice(i, 50) * 500)::int from generate_series(1, 20000) i;
insert into weather_log
select 1 + (dice(i, 51) * 20000)::int % 20000, timestamp '2025-07-01' + make_interval(mins => (i * 3.25)::int),
       (dice(i, 52) * 45 - 20)::numeric(4,1), (dice(i, 53) * 110)::int
from generate_series(1, 200000) i;

-- name: the trail reports of spring
insert into trail_reports
select i, 1 + (dice(i, 60) * 80000)::int % 80000, 1 + i % 600, date '2026-03-01' + (dice(i, 61) * 90)::int, 1 + i % 5, 'Trail report no. ' || i
from generate_series(1, 6000) i;
