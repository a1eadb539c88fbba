package main
import ("testing";"path/filepath";"os";"strings";"encoding/gob";"time";"sort";"fmt"
"github.com/klauspost/compress/zstd"
"diastole/detect"
)
func TestScratch(t *testing.T){
 files,_:=filepath.Glob(os.Getenv("CASES")+"/*.gob.zst")
 var lines []string
 for _,fn:=range files {
  tr:=&trial{}
  f,_:=os.Open(fn); z,_:=zstd.NewReader(f)
  if err:=gob.NewDecoder(z).Decode(&tr.record);err!=nil{t.Log(fn,err);f.Close();continue}
  f.Close()
  set,err:=tr.settings(); if err!=nil{t.Fatal(err)}
  m:=detect.New(set)
  top,topBefore:=0.0,0.0; lim:=0.0; said:=""
  for i,ch:=range tr.Bursts{
   for _,c:=range ch{m.Push(c)}
   m.Advance(start.Add(time.Duration(i)*time.Hour+50*time.Minute))
   for _,x:=range m.Take(){ if x.Diagnosis!=nil { w:=string(x.Diagnosis.Fault)+string(x.Diagnosis.Cause)
     if x.Kind==detect.FaultRaised||x.Kind==detect.CauseRaised||x.Kind==detect.CauseCleared { said+=fmt.Sprintf(" [%d %s %s %.2f size %.2f",i,x.Kind,w,x.Diagnosis.Probability,tr.Sizes[i])
     if w=="unexplained-change"&&x.Kind==detect.CauseRaised{ for _,e:=range x.Diagnosis.Evidence{said+=fmt.Sprintf(" %s%+.1f",e.Feature,e.Sigma)}}
     said+="]"}}}
   st:=m.Status(); if st.ChangeLimit>0 { lim=st.ChangeLimit; if tr.Sizes[i]==0 {topBefore=max(topBefore,st.Change)}; top=max(top,st.Change)}
  }
  n:=strings.TrimSuffix(filepath.Base(fn),".gob.zst")
  lines=append(lines,fmt.Sprintf("%-40s %-18s T2 before %6.1f max %6.1f of %.1f %s",n[:strings.LastIndex(n,"-")],tr.Model[8:],topBefore,top,lim,said))
 }
 sort.Strings(lines)
 for _,l:=range lines{fmt.Println(l)}
}
