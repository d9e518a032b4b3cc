-- corrected_energy: one row a home, episode and UTC day.
-- What a day's corrected readings come to, as reported and put right over the same rows, and how far that may be off.
--   site_id [-], from_on [date]      home, and first day of its episode; day [date]
--   n_rows [rows]; hours, hours_exact, hours_estimated, hours_as_reported, hours_empty [h] all rows, and by method
--   hours_covered, hours_flow, hours_use, hours_pv, hours_meter [h] of the rows that net, import and export, use,
--                                    production and the meter's sums are taken over
--   hours_by_meter [h]               of rows whose corrected readings are the meter's own: no part of the comparison
--   net_reported, net_corrected, net_below, net_above [kWh] sum of all legs; how far below and above what else errs alike reaches
--   import_reported, import_corrected, import_below, import_above [kWh] net above 0, where the CTs read net
--   export_reported, export_corrected, export_below, export_above [kWh] net below 0, likewise
--   use_reported, use_corrected, use_below, use_above [kWh] by the home: net, and where the CTs read net what
--                                    production and battery give behind them
--   production_reported, production_corrected, production_below, production_above [kWh]
--   net_common, import_common, export_common, use_common, production_common [kWh] a factor's standard error, signed
--   net_variance, import_variance, export_variance, use_variance, production_variance [kWh2] from what errs anew each hour
--   empty_reported [kWh]             sum of all legs as reported in rows without a corrected one
--   meter_import, meter_export, meter_net [kWh] by the utility's meter
--   meter_net_reported, meter_net_corrected [kWh] the same by the readings; of CTs around the loads less production and battery
--   meter_off_reported, meter_off_corrected [kWh] how far these are from the meter hour by hour, without sign
WITH reading AS (
  SELECT *, interval_start::DATE AS day,
    epoch(interval_start - lag(interval_start) OVER (PARTITION BY site_id, interval_start::DATE ORDER BY interval_start))
      / 3600 AS gap_h
  FROM read_parquet($corrected_files, hive_partitioning = false)
), home_day AS (
  -- the day's shortest gap, an hour at the most, as for the day's statistics
  SELECT site_id, day, least(coalesce(min(gap_h), $default_length_min / 60), 1) AS row_h FROM reading GROUP BY ALL
), placed AS (
  SELECT r.*, h.row_h, h.row_h / 1000 AS kwh_per_w, e.from_on,
    -- null where nobody knows on which side of the tie-in the CTs are
    coalesce(e.is_added_back, false) OR NOT e.is_upstream AS reads_use,
    -- what a home hasn't counts nothing; what a line that it has didn't give makes the sum unknown
    r.l1_w + CASE WHEN e.line_count = 1 THEN coalesce(r.l2_w, 0) ELSE r.l2_w END
      + CASE WHEN e.line_count < 3 THEN 0 ELSE r.l3_w END AS legs_w,
    r.l1_w_reported + CASE WHEN e.line_count = 1 THEN coalesce(r.l2_w_reported, 0) ELSE r.l2_w_reported END
      + CASE WHEN e.line_count < 3 THEN 0 ELSE r.l3_w_reported END AS legs_before_w,
    CASE WHEN e.has_battery THEN r.battery_w ELSE coalesce(r.battery_w, 0) END AS storage_w
  FROM reading r
  JOIN home_day h USING (site_id, day)
  JOIN episode e ON e.site_id = r.site_id AND r.day BETWEEN e.from_on AND coalesce(e.to_on, r.day)
), known AS (
  SELECT *,
    legs_w IS NOT NULL AND legs_before_w IS NOT NULL AS is_known,
    pv_w IS NOT NULL AND pv_w_reported IS NOT NULL AS has_pv,
    pv_w IS NOT NULL AND pv_w_reported IS NOT NULL AND storage_w IS NOT NULL AS has_behind,
    -- a bound that isn't there is the value itself; without a factor's error, which adds up with its sign
    least(sum_w_low + $z95 * abs(coalesce(sum_w_common, 0)), legs_w) AS low_w,
    greatest(sum_w_high - $z95 * abs(coalesce(sum_w_common, 0)), legs_w) AS high_w,
    coalesce(sum_w_common, 0) AS common_w, coalesce(sum_w_scatter, 0) AS scatter_w,
    least(pv_w_low, pv_w) AS pv_low_w, greatest(pv_w_high, pv_w) AS pv_high_w,
    import_wh / 1000 AS meter_import, export_wh / 1000 AS meter_export, (import_wh - export_wh) / 1000 AS meter_net
  FROM placed
), power AS (
  SELECT *,
    is_known AND coalesce(NOT reads_use, false) AS has_flow,
    is_known AND reads_use IS NOT NULL AND (reads_use OR has_behind) AS has_use,
    is_known AND reads_use IS NOT NULL AND (NOT reads_use OR has_behind) AND meter_net IS NOT NULL AS has_net,
    legs_w + CASE WHEN reads_use THEN 0 ELSE pv_w + storage_w END AS use_w,
    legs_before_w + CASE WHEN reads_use THEN 0 ELSE pv_w_reported + storage_w END AS use_before_w,
    low_w + CASE WHEN reads_use THEN 0 ELSE pv_low_w + storage_w END AS use_low_w,
    high_w + CASE WHEN reads_use THEN 0 ELSE pv_high_w + storage_w END AS use_high_w,
    legs_w - CASE WHEN reads_use THEN pv_w + storage_w ELSE 0 END AS at_meter_w,
    legs_before_w - CASE WHEN reads_use THEN pv_w_reported + storage_w ELSE 0 END AS at_meter_before_w
  FROM known
), compared AS (
  -- an estimate that is the meter's own reading can't be held against it
  SELECT *, has_net AND method = 'estimated' AND abs(at_meter_w * kwh_per_w - meter_net) < 1e-9 AS is_by_meter,
    has_net AND (method <> 'estimated' OR abs(at_meter_w * kwh_per_w - meter_net) >= 1e-9) AS has_meter
  FROM power
), hour AS (
  SELECT site_id, from_on, day, count(*) AS n_rows, sum(row_h) AS hours,
    sum(row_h) FILTER (method = 'exact') AS hours_exact, sum(row_h) FILTER (method = 'estimated') AS hours_estimated,
    sum(row_h) FILTER (method = 'as reported') AS hours_as_reported, sum(row_h) FILTER (method = 'empty') AS hours_empty,
    sum(row_h) FILTER (is_known) AS hours_covered, sum(row_h) FILTER (has_flow) AS hours_flow,
    sum(row_h) FILTER (has_use) AS hours_use, sum(row_h) FILTER (has_pv) AS hours_pv,
    sum(row_h) FILTER (has_meter) AS hours_meter, sum(row_h) FILTER (is_by_meter) AS hours_by_meter,
    sum(legs_before_w * kwh_per_w) FILTER (is_known) AS net_reported,
    sum(legs_w * kwh_per_w) FILTER (is_known) AS net_corrected,
    sum(low_w * kwh_per_w) FILTER (is_known) AS net_low, sum(high_w * kwh_per_w) FILTER (is_known) AS net_high,
    sum(scatter_w * kwh_per_w) FILTER (is_known) AS net_scatter, sum(common_w * kwh_per_w) FILTER (is_known) AS net_common,
    sum(greatest(legs_before_w, 0) * kwh_per_w) FILTER (has_flow) AS import_reported,
    sum(greatest(legs_w, 0) * kwh_per_w) FILTER (has_flow) AS import_corrected,
    sum(greatest(low_w, 0) * kwh_per_w) FILTER (has_flow) AS import_low,
    sum(greatest(high_w, 0) * kwh_per_w) FILTER (has_flow) AS import_high,
    sum(scatter_w * kwh_per_w) FILTER (has_flow AND legs_w > 0) AS import_scatter,
    sum(common_w * kwh_per_w) FILTER (has_flow AND legs_w > 0) AS import_common,
    sum(greatest(-legs_before_w, 0) * kwh_per_w) FILTER (has_flow) AS export_reported,
    sum(greatest(-legs_w, 0) * kwh_per_w) FILTER (has_flow) AS export_corrected,
    sum(greatest(-high_w, 0) * kwh_per_w) FILTER (has_flow) AS export_low,
    sum(greatest(-low_w, 0) * kwh_per_w) FILTER (has_flow) AS export_high,
    sum(scatter_w * kwh_per_w) FILTER (has_flow AND legs_w < 0) AS export_scatter,
    sum(common_w * kwh_per_w) FILTER (has_flow AND legs_w < 0) AS export_common,
    sum(use_before_w * kwh_per_w) FILTER (has_use) AS use_reported, sum(use_w * kwh_per_w) FILTER (has_use) AS use_corrected,
    sum(use_low_w * kwh_per_w) FILTER (has_use) AS use_low, sum(use_high_w * kwh_per_w) FILTER (has_use) AS use_high,
    sum(scatter_w * kwh_per_w) FILTER (has_use) AS use_scatter, sum(common_w * kwh_per_w) FILTER (has_use) AS use_common,
    sum(pv_w_reported * kwh_per_w) FILTER (has_pv) AS production_reported,
    sum(pv_w * kwh_per_w) FILTER (has_pv) AS production_corrected,
    sum(pv_low_w * kwh_per_w) FILTER (has_pv) AS production_low, sum(pv_high_w * kwh_per_w) FILTER (has_pv) AS production_high,
    sum(legs_before_w * kwh_per_w) FILTER (NOT is_known) AS empty_reported,
    sum(meter_import) FILTER (has_meter) AS meter_import, sum(meter_export) FILTER (has_meter) AS meter_export,
    sum(meter_net) FILTER (has_meter) AS meter_net, sum(at_meter_before_w * kwh_per_w) FILTER (has_meter) AS meter_net_reported,
    sum(at_meter_w * kwh_per_w) FILTER (has_meter) AS meter_net_corrected
  FROM compared
  GROUP BY site_id, from_on, day, date_trunc('hour', interval_start)
)
SELECT site_id, from_on, day, sum(n_rows)::BIGINT AS n_rows,
  sum(COLUMNS('^hours.*|.*_(reported|corrected)$|^meter_(import|export|net)$')),
  sum(net_common) AS net_common, sum(import_common) AS import_common, sum(export_common) AS export_common,
  sum(use_common) AS use_common, 0.0 AS production_common,
  sum(net_corrected - net_low) AS net_below, sum(net_high - net_corrected) AS net_above,
  sum(import_corrected - import_low) AS import_below, sum(import_high - import_corrected) AS import_above,
  sum(export_corrected - export_low) AS export_below, sum(export_high - export_corrected) AS export_above,
  sum(use_corrected - use_low) AS use_below, sum(use_high - use_corrected) AS use_above,
  sum(production_corrected - production_low) AS production_below, sum(production_high - production_corrected) AS production_above,
  sum(net_scatter * net_scatter) AS net_variance, 0.0 AS production_variance, sum(import_scatter * import_scatter) AS import_variance,
  sum(export_scatter * export_scatter) AS export_variance, sum(use_scatter * use_scatter) AS use_variance,
  sum(abs(meter_net_reported - meter_net)) AS meter_off_reported,
  sum(abs(meter_net_corrected - meter_net)) AS meter_off_corrected
FROM hour
GROUP BY site_id, from_on, day ORDER BY site_id, day
