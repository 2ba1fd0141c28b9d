# One job a session: tones in the calibrator recordings, then the decision on every sensitivity.


rule calibrate:
    input:
        lambda wildcards: PLAN.check_files(wildcards.session),
    output:
        f"{RESULTS}/calibration/checks/{{session}}.parquet",
    log:
        f"{RESULTS}/logs/calibrate/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/calibrate/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=500,
    params:
        digest=lambda wildcards: PLAN.digest("calibrate", wildcards.session),
    shell:
        "tapeline calibrate {wildcards.session:q} > {log:q} 2>&1"


rule sensitivity:
    input:
        checks=rules.calibrate.output,
        data_sheets=lambda wildcards: PLAN.data_sheet_files(wildcards.session),
    output:
        calibration=f"{RESULTS}/calibration/{{session}}.parquet",
        checks=f"{RESULTS}/calibration/judged/{{session}}.parquet",
    log:
        f"{RESULTS}/logs/sensitivity/{{session}}.log",
    benchmark:
        f"{RESULTS}/benchmarks/sensitivity/{{session}}.tsv"
    threads: 1
    resources:
        mem_mb=300,
    params:
        digest=lambda wildcards: PLAN.digest("sensitivity", wildcards.session),
    shell:
        "tapeline sensitivity {wildcards.session:q} > {log:q} 2>&1"
