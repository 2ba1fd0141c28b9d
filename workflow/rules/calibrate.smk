# One step a session: tones in the calibrator recordings, then the decision on every sensitivity.


rule calibrate:
    input:
        lambda wildcards: STEPS["calibrate"].inputs(PLAN, wildcards.session),
        lambda wildcards: STEPS["calibrate"].sources(PLAN, wildcards.session),
    output:
        STEPS["calibrate"].file(PLAN.results, "{session}"),
    log:
        f"{RESULTS}/logs/calibrate/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/calibrate/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: STEPS["calibrate"].digest(PLAN, wildcards.session),
    shell:
        "tapeline step calibrate {wildcards.session:q} > {log:q} 2>&1"
