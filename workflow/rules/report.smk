# What was made from what, and the page that circulates.

FINISHED = [
    *expand(
        f"{TABLES}/{{table}}/session={{session}}/part-0.parquet",
        table=[*SESSION_TABLES, *PLAN.on_request],
        session=PLAN.measured_sessions,
    ),
    *expand(f"{TABLES}/{{table}}.parquet", table=[name for names in CAMPAIGN_TABLES.values() for name in names]),
]


rule manifest:
    input:
        FINISHED,
        expand(f"{RESULTS}/quality/{{run}}.parquet", run=PLAN.recordings),
        expand(f"{RESULTS}/calibration/checks/{{session}}.parquet", session=PLAN.sessions),
    output:
        report(f"{RESULTS}/manifest.json", caption="../report/manifest.rst", category="Campaign"),
    log:
        f"{RESULTS}/logs/manifest/manifest.log",
    benchmark:
        f"{RESULTS}/benchmarks/manifest/manifest.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: PLAN.digest("manifest"),
    shell:
        "tapeline manifest > {log:q} 2>&1"


rule report:
    input:
        manifest=rules.manifest.output,
        tables=FINISHED,
    output:
        report(f"{RESULTS}/report.html", caption="../report/campaign.rst", category="Campaign"),
    log:
        f"{RESULTS}/logs/report/report.log",
    benchmark:
        f"{RESULTS}/benchmarks/report/report.tsv"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        digest=lambda wildcards: PLAN.digest("report"),
    shell:
        "tapeline report > {log:q} 2>&1"
